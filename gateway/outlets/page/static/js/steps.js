// Steps to tick, under the headings of their phases, each with its caution, its sense and who confirms it: the one way
// in which work sheets and commissioning list them.
import { h, text } from "./dom.js";

export const SENSE = { ahead: "AHEAD \u21bb", astern: "ASTERN \u21ba", see: "LOOK WHICH WAY" };

// `toggle(key, box)` is called after a change of the box; `sign(key)`, where there is one, countersigns. What is returned
// draws itself: `draw(enabled, tickOf, now)`, with `tickOf(key)` null, or { words, signed }; `now`: the steps as they are
// now, whose words and sense may follow the figures.
export function stepList(wanted, toggle, sign = null) {
  const all = wanted.map((s, n) => step(s, s.key || String(n), toggle, sign));
  const phases = [];
  for (const [n, s] of wanted.entries()) {
    const last = phases[phases.length - 1];
    if (!last || last.phase !== s.phase) phases.push({ phase: s.phase, start: n + 1, rows: [all[n].el] });
    else last.rows.push(all[n].el);
  }
  // The numbers go on from list to list.
  const el = phases.flatMap((p) => [p.phase ? h("h5", {}, p.phase) : null, h("ol", { class: "steps", start: p.start }, p.rows)]);
  return { el, draw: (enabled, tickOf, now = wanted) => { for (const [n, s] of all.entries()) s.draw(enabled, tickOf(s.key), now[n] || wanted[n]); } };
}

function step(s, key, toggle, sign) {
  const when = h("span", { class: "words" });
  const box = h("input", { type: "checkbox", onchange: () => toggle(key, box) });
  const second = sign ? h("button", { type: "button", hidden: true, onclick: () => sign(key) }, "Countersign") : null;
  const caution = s.caution ? h("p", { class: "step-caution" }, s.caution) : null;
  const sense = s.turns ? h("b", { class: "sense" }) : null;
  const words = h("span", {});
  const who = [s.who, s.confirm].filter(Boolean).join(": ");
  const el = h("li", {}, caution, h("label", {}, box, words), sense,
    h("p", { class: "words" }, who ? `${who} ` : null, when, who ? h("span", { class: "sign-here" }) : null), second);
  return { el, key, draw: (enabled, tick, now) => {
    text(words, now.text);
    if (sense) text(sense, SENSE[now.sense] || "");
    box.disabled = !enabled;
    if (document.activeElement !== box || tick) box.checked = Boolean(tick);
    text(when, tick ? ` ${tick.words}` : "");
    if (second) second.hidden = !tick || tick.signed;
  } };
}
