// Alarms that are not normal, on every view; acknowledged from here.
import { byId, h, stamp, text } from "./dom.js";
import { act } from "./acts.js";
import { sign, sinceWords } from "./tile.js";
import { PRIORITY, STATE } from "./words.js";

const rows = new Map();
const heard = new Map();
let list = null;
let count = null;

export const stands = (a) => a.active || a.unacknowledged;
export const everyAlarm = (present) => [
  ...present.engines.flatMap((e) => e.alarms.map((a) => ({ ...a, place: e.name }))),
  ...present.alarms.map((a) => ({ ...a, place: "gateway" }))];

// "1 alarm, 2 cautions": each priority counted as what it is.
export function counted(all) {
  const names = [["emergency-alarm", "emergency alarm"], ["alarm", "alarm"], ["warning", "warning"], ["caution", "caution"]];
  const parts = names.map(([key, name]) => [all.filter((a) => a.priority === key).length, name]).filter(([n]) => n);
  return parts.map(([n, name]) => `${n} ${name}${n === 1 ? "" : "s"}`).join(", ");
}

// `loss`: why figures are old, or null. What was known last stays, struck out.
export function update(present, loss) {
  const root = byId("alarms");
  if (!list) {
    count = h("h2", {});
    list = h("ul", {});
    root.replaceChildren(count, list);
  }
  const all = everyAlarm(present);
  const calling = all.filter(stands);
  text(count, calling.length === 0 ? "No alarms" : counted(calling));
  root.classList.toggle("quiet", all.length === 0);
  root.classList.toggle("none", calling.length === 0);
  root.classList.toggle("old", loss !== null);
  document.documentElement.dataset.alarmColour = present.alarm_colour;
  announce(all);
  const at = Date.parse(present.ts);
  const wanted = all.map((a) => [`${a.engine}/${a.tag}`, a]);
  for (const key of [...rows.keys()]) if (!wanted.some(([k]) => k === key)) { rows.get(key).el.remove(); rows.delete(key); }
  wanted.forEach(([key, a], place) => {
    const { now, ...rest } = a;
    const seen = JSON.stringify(rest);
    let row = rows.get(key);
    if (!row || row.seen !== seen) {
      const made = item(a);
      if (row) row.el.replaceWith(made.el);
      row = { ...made, seen };
      rows.set(key, row);
    }
    row.show(now, at);
    if (list.children[place] !== row.el) list.insertBefore(row.el, list.children[place] || null);
  });
}

// Once to a screen reader: what is new, not what stands.
function announce(all) {
  const fresh = all.filter((a) => a.state === "unacknowledged" && heard.get(`${a.engine}/${a.tag}`) !== a.changed);
  heard.clear();
  for (const a of all) if (a.state === "unacknowledged") heard.set(`${a.engine}/${a.tag}`, a.changed);
  if (fresh.length) text(byId("announced"), fresh.map((a) => `${PRIORITY[a.priority]}, ${a.place}: ${a.text || a.title}`).join(". "));
}

function item(a) {
  const why = h("p", { class: "why", role: "status" });
  const button = (what, label, body = () => ({})) => h("button", { type: "button", "data-do": what, "aria-label": `${label}: ${a.title.toLowerCase()}, ${a.place}`,
    onclick: () => act(a, what, body, why) }, label);
  const buttons = a.unacknowledged ? [button("acknowledge", "Acknowledge")] : [];
  const since = h("span", { class: "since" });
  const present = h("p", { class: "present" });
  const el = h("li", { class: "alarm", "data-tag": a.tag, "data-priority": a.priority, "data-state": a.state, "data-calls": String(a.unacknowledged) },
    sign(a.priority),
    h("div", { class: "details" },
      h("p", { class: "head" }, h("strong", {}, PRIORITY[a.priority]), ` · ${a.place} · ${STATE[a.state] || a.state} · `, since),
      h("p", { class: "text" }, a.title), a.text && a.text !== a.title ? h("p", { class: "more" }, `${stands(a) ? "When raised: " : ""}${a.text}`) : null, present,
      stands(a) && a.action ? h("p", { class: "action" }, `Do: ${a.action}`) : null,
      a.causes.length ? h("p", { class: "causes" }, `Likely causes: ${a.causes.join("; ")}`) : null,
      a.away ? h("p", { class: "causes" }, `${a.away}${a.until ? `, until ${stamp(Date.parse(a.until))} UTC` : ""}`) : null, why),
    h("div", { class: "acts" }, buttons, more(a, button)));
  return {
    el,
    show(now, at) {
      text(since, sinceWords(a.since, at));
      text(present, now ? `Now: ${now}` : "");
    },
  };
}

function more(a, button) {
  const away = a.state === "shelved" || a.state === "out-of-service";
  if (away) return a.state === "shelved" ? button("unshelve", "Unshelve") : button("in-service", "Back in service");
  const minutes = h("select", { "aria-label": "for how long" }, [30, 60, 240, 720, 1440].map((m) => h("option", { value: m }, m < 60 ? `${m} min` : `${m / 60} h`)));
  const reason = h("input", { "aria-label": "reason", placeholder: "reason", maxlength: 200 });
  return h("details", {}, h("summary", {}, "Shelve"), h("p", {}, minutes, " ", reason, " ",
    button("shelve", "Shelve", () => ({ minutes: Number(minutes.value), why: reason.value }))));
}
