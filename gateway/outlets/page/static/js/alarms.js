// Alarms that are not normal, on top of every view; acknowledged from here.
import { byId, h, s, stamp, text, time } from "./dom.js";
import { post } from "./api.js";
import { askLogin } from "./login.js";
import { PRIORITY, STATE } from "./words.js";

const rows = new Map();
const heard = new Map();
let list = null;
let count = null;

export function update(present) {
  const root = byId("alarms");
  if (!list) {
    count = h("h2", {});
    list = h("ul", {});
    root.replaceChildren(count, list);
  }
  const all = [...present.engines.flatMap((e) => e.alarms.map((a) => ({ ...a, place: e.name, today: present.ts.slice(0, 10) }))),
    ...present.alarms.map((a) => ({ ...a, place: "gateway", today: present.ts.slice(0, 10) }))];
  const calling = all.filter((a) => a.active || a.unacknowledged);
  text(count, calling.length === 0 ? "No alarms" : `${calling.length} ${calling.length === 1 ? "alarm" : "alarms"}`);
  root.classList.toggle("calm", all.length === 0);
  document.documentElement.dataset.alarmColour = present.alarm_colour;
  announce(all);
  const wanted = all.map((a) => [`${a.engine}/${a.tag}`, a]);
  for (const key of [...rows.keys()]) if (!wanted.some(([k]) => k === key)) { rows.get(key).el.remove(); rows.delete(key); }
  wanted.forEach(([key, a], at) => {
    const seen = JSON.stringify(a);
    let row = rows.get(key);
    if (!row || row.seen !== seen) {
      const el = item(a);
      if (row) row.el.replaceWith(el);
      row = { el, seen };
      rows.set(key, row);
    }
    if (list.children[at] !== row.el) list.insertBefore(row.el, list.children[at] || null);
  });
}

// Told once to a screen reader: what is new, not what stands.
function announce(all) {
  const fresh = all.filter((a) => a.state === "unacknowledged" && heard.get(`${a.engine}/${a.tag}`) !== a.changed);
  heard.clear();
  for (const a of all) if (a.state === "unacknowledged") heard.set(`${a.engine}/${a.tag}`, a.changed);
  if (fresh.length) text(byId("said"), fresh.map((a) => `${PRIORITY[a.priority]}, ${a.place}: ${a.text || a.title}`).join(". "));
}

// A shape for each priority, so that colour is never the only cue.
function sign(priority) {
  const shape = { "emergency-alarm": "M12 2l10 6v8l-10 6-10-6v-8z", alarm: "M12 2l11 20h-22z", warning: "M12 2a10 10 0 1 0 .01 0z" }[priority] || "M3 3h18v18h-18z";
  return s("svg", { viewBox: "0 0 24 24", class: "sign", "aria-hidden": "true" }, s("path", { d: shape }),
    s("path", { class: "bang", d: "M11 8h2v7h-2zM11 17h2v2h-2z" }));
}

// The clock alone where it was today.
function since(a) {
  const ms = Date.parse(a.changed);
  return a.changed.slice(0, 10) === a.today ? time(ms).slice(0, 5) : stamp(ms);
}

function item(a) {
  const why = h("p", { class: "why", role: "status" });
  const act = (do_, label, body = () => ({})) => h("button", { type: "button", "data-do": do_, "aria-label": `${label}: ${a.title.toLowerCase()}, ${a.place}`,
    onclick: () => send(a, do_, body, why) }, label);
  const buttons = [];
  if (a.unacknowledged) buttons.push(act("acknowledge", "Acknowledge"));
  const el = h("li", { class: "alarm", "data-tag": a.tag, "data-priority": a.priority, "data-state": a.state },
    sign(a.priority),
    h("div", { class: "said" },
      h("p", { class: "head" }, h("strong", {}, PRIORITY[a.priority]), ` ${a.place} · ${STATE[a.state] || a.state}`, ` · since ${since(a)}`),
      h("p", { class: "text" }, a.text || a.title),
      a.causes.length ? h("p", { class: "causes" }, `Likely causes: ${a.causes.join("; ")}`) : null,
      a.away ? h("p", { class: "causes" }, `${a.away}${a.until ? `, until ${stamp(Date.parse(a.until))}` : ""}`) : null, why),
    h("div", { class: "acts" }, buttons, more(a, act)));
  return el;
}

function more(a, act) {
  const away = a.state === "shelved" || a.state === "out-of-service";
  if (away) return a.state === "shelved" ? act("unshelve", "Unshelve") : act("in-service", "Back in service");
  const minutes = h("select", { "aria-label": "for how long" }, [30, 60, 240, 720, 1440].map((m) => h("option", { value: m }, m < 60 ? `${m} min` : `${m / 60} h`)));
  const reason = h("input", { "aria-label": "reason", placeholder: "reason", maxlength: 200 });
  return h("details", {}, h("summary", {}, "Shelve"), h("p", {}, minutes, " ", reason, " ",
    act("shelve", "Shelve", () => ({ minutes: Number(minutes.value), why: reason.value }))));
}

async function send(a, do_, body, why) {
  try {
    await post(`/api/alarm/${a.tag}/${do_}`, { engine: a.engine || null, ...body() });
    text(why, "Done; the gateway will show it.");
  } catch (e) {
    text(why, e.message);
    if (e.status === 401) askLogin(e.message);
  }
}
