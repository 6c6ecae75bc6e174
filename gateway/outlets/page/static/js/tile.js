// The state of one engine, or of the gateway, large: one word with its shape and colour, what is wrong, since when,
// and what to do next.
import { attr, h, period, s, stamp, text, time } from "./dom.js";
import { MARK, SHAPE, TILE } from "./words.js";

// A shape for each state, so that colour is never the only cue.
export function sign(state) {
  const el = s("svg", { viewBox: "0 0 24 24", class: "sign", "aria-hidden": "true" }, s("path", { class: "shape", "fill-rule": "evenodd" }));
  drawSign(el, state);
  return el;
}

function drawSign(el, state) {
  // The sign of exclamation is a hole in the shape, so that it shows on any ground.
  const mark = { alarm: MARK.alarm, "emergency-alarm": MARK.warning, warning: MARK.warning, caution: MARK.warning }[state] || "";
  attr(el.firstChild, "d", (SHAPE[state] || SHAPE.caution) + mark);
}

// `at`: the present, in ms; the date only where it is another day.
export function sinceWords(iso, at) {
  const ms = Date.parse(iso);
  const same = iso.slice(0, 10) === new Date(at).toISOString().slice(0, 10);
  return `since ${same ? time(ms).slice(0, 5) : stamp(ms)} UTC (${period(at - ms)})`;
}

// `acknowledge(alarm, why)` is called where the alert that is shown is pressed away.
export function tile(acknowledge) {
  const picture = sign("no-data");
  const word = h("p", { class: "word" });
  const wrong = h("p", { class: "wrong" });
  const since = h("p", { class: "since" });
  const todo = h("p", { class: "todo" });
  const away = h("p", { class: "away" });
  const others = h("p", { class: "others" });
  const why = h("p", { class: "why", role: "status" });
  let alert = null;
  const button = h("button", { type: "button", class: "ack", hidden: true, onclick: () => alert && acknowledge(alert, why) }, "Acknowledge");
  const el = h("section", { class: "tile", "aria-label": "State" }, h("div", { class: "sign-word" }, picture, word),
    h("div", { class: "tile-text" }, wrong, since, todo, others, away, h("div", { class: "tile-acts" }, button, why)));
  return {
    el,
    // x: state, what, since, action, away, alert (the alarm shown or null), others (words), at (ms).
    update(x) {
      attr(el, "data-state", x.state);
      attr(el, "data-calls", Boolean(x.alert && x.alert.unacknowledged) && x.state !== "no-data");
      drawSign(picture, x.state);
      text(word, TILE[x.state] || x.state);
      text(wrong, x.what);
      text(since, x.since ? sinceWords(x.since, x.at) : "");
      text(todo, x.action);
      text(others, x.others || "");
      text(away, x.away.length ? `Not shown as alarms: ${x.away.join("; ")}` : "");
      alert = x.alert && x.alert.unacknowledged ? x.alert : null;
      button.hidden = !alert;
      if (alert) attr(button, "aria-label", `Acknowledge: ${alert.title.toLowerCase()}`);
    },
  };
}
