// The page's frame: which view is shown, the live stream, how old the figures are, clocks, light and sound.
import { attr, byId, day, h, stamp, text, time } from "./dom.js";
import { follow, look, onSession, session } from "./api.js";
import * as alarms from "./alarms.js";
import * as login from "./login.js";
import * as now from "./now.js";
import * as sound from "./sound.js";

const STALE_MS = 3500;
// What is not seen first is loaded when it is opened.
const VIEWS = {
  now: async () => now, trends: () => import("./trends.js"), log: () => import("./log.js"), sheets: () => import("./sheets.js"),
  commission: () => import("./commission.js"), help: () => import("./help.js"),
};
// A view without a place of its own in the navigation stands under another one; and names of earlier releases.
const UNDER = { commission: "sheets" }, ONCE = { course: "trends" };
const wall = new URLSearchParams(location.search).has("wall");
let present = null;
let heardAt = 0;
let why = "";
let shown = "";
let view = null;

async function route() {
  const hash = location.hash.slice(1).split("/")[0];
  const name = ONCE[hash] || hash;
  if (name === "view") return;
  const wanted = !wall && name in VIEWS ? name : "now";
  for (const a of document.querySelectorAll(".views a")) {
    if (a.hash === `#${UNDER[wanted] || wanted}`) a.setAttribute("aria-current", "page");
    else a.removeAttribute("aria-current");
  }
  if (wanted === shown) return;
  const first = shown === "";
  shown = wanted;
  let made = null;
  try {
    made = await VIEWS[wanted]();
  } catch {
    if (shown === wanted) { shown = ""; why = "The gateway does not answer: this view could not be loaded."; age(); }
    return;
  }
  if (shown !== wanted) return;
  if (view && view.leave) view.leave();
  view = made;
  const root = byId("view");
  root.className = `view-${wanted}`;
  document.body.dataset.view = wanted;
  view.show(root, present, loss());
  if (!first) root.focus();
  title();
}

function title() {
  const calls = present ? alarms.everyAlarm(present).filter((a) => a.unacknowledged).length : 0;
  document.title = `${calls ? `(${calls}) ` : ""}${present ? present.vessel : "Chain drive"} – ${shown}`;
}

function take(body) {
  const first = !present;
  present = body;
  heardAt = performance.now();
  why = "";
  text(byId("vessel"), body.vessel);
  sound.setUp(body.sound, wall);
  const work = body.engines.filter((e) => e.work_since);
  text(byId("work"), work.map((e) => `WORK IN PROGRESS at ${e.name} since ${stamp(Date.parse(e.work_since))} UTC. Alarms that the work disturbs are suppressed.`).join(" "));
  if (first && view) view.show(byId("view"), body, loss());
  title();
  age();
  if (!first && view && view !== now && view.update) view.update(byId("view"), body);
}

// The gateway's time now, by its last figures and this device's own count since.
const gatewayMs = () => Date.parse(present.ts) + performance.now() - heardAt;

// Why the figures are old, since when, and what to do; null while they are live.
function loss() {
  if (!present) return null;
  const ahead = gatewayMs() - Date.now();
  if (performance.now() - heardAt > STALE_MS) {
    return { what: "The gateway does not answer", since: present.ts, action: "Check this screen's network and that the gateway runs.", ahead };
  }
  return present.fresh ? null : { what: "A part of the gateway does not respond", since: present.ts, action: "Check the gateway's log; restart the gateway if it does not recover.", ahead };
}

// How old the figures are; beyond a few seconds it is shown, large, and all of them are struck out.
function age() {
  const lost = loss();
  const old = present ? performance.now() - heardAt : Infinity;
  const silent = old > STALE_MS;
  document.body.classList.toggle("stale", lost !== null);
  const words = silent
    ? why || (present ? `The gateway does not answer. These figures are of ${time(Date.parse(present.ts))} UTC.` : performance.now() > STALE_MS ? "The gateway does not answer." : "")
    : lost ? "A part of the gateway does not respond: these figures may be old. Check its log." : "";
  text(byId("banner"), words);
  const link = byId("link");
  attr(link, "data-link", silent ? "lost" : lost ? "halted" : "live");
  text(link, silent ? (present ? `not live, ${Math.round(old / 1000)} s old` : "waiting for the gateway") : lost ? "gateway halted" : "live");
  if (!present) return;
  clocks();
  alarms.update(present, lost);
  sound.call(alarms.everyAlarm(present), lost !== null, present.silenced);
  if (view === now) now.update(byId("view"), present, lost);
}

const kept = (key) => { try { return localStorage.getItem(key) || ""; } catch { return ""; /* a browser that keeps nothing */ } };
const keep = (key, value) => { try { localStorage.setItem(key, value); } catch { /* the same */ } };

// Date and UTC of the gateway; the ship's own time where it is set on this device.
function clocks() {
  const ms = gatewayMs(), ship = byId("ship-time").value;
  text(byId("date"), day(ms));
  text(byId("clock"), time(ms));
  if (!ship) return text(byId("ship-clock"), "");
  const there = ms + Number(ship) * 60000;
  text(byId("ship-clock"), `${day(there) === day(ms) ? "" : `${day(there)} `}${time(there).slice(0, 5)} ship`);
}

function zones() {
  const select = byId("ship-time");
  for (let min = -720; min <= 840; min += 30) {
    const size = Math.abs(min), words = `UTC${min < 0 ? "−" : "+"}${String(Math.floor(size / 60)).padStart(2, "0")}:${size % 60 ? "30" : "00"}`;
    select.append(h("option", { value: String(min) }, words));
  }
  select.value = kept("ship-time");
  select.addEventListener("change", () => { keep("ship-time", select.value); if (present) clocks(); });
}

function light() {
  const select = byId("theme");
  const apply = (value) => {
    if (value === "auto") delete document.documentElement.dataset.theme;
    else document.documentElement.dataset.theme = value;
    document.dispatchEvent(new Event("light"));
  };
  select.value = kept("light") || "auto";
  select.addEventListener("change", () => {
    keep("light", select.value);
    apply(select.value);
  });
  apply(select.value || "auto");
}

// Paper is white and narrower than most screens: it gets the colours of the day, and charts of its own width.
function paper() {
  const root = document.documentElement;
  let before;
  window.addEventListener("beforeprint", () => {
    before = root.dataset.theme;
    root.dataset.theme = "day";
    document.body.classList.add("paper");
  });
  window.addEventListener("afterprint", () => {
    document.body.classList.remove("paper");
    if (before === undefined) delete root.dataset.theme;
    else root.dataset.theme = before;
  });
}

// The menu of the display closes where it is left.
function menu() {
  const box = byId("display");
  document.addEventListener("pointerdown", (e) => { if (!box.contains(e.target)) box.open = false; });
  box.addEventListener("keydown", (e) => { if (e.key === "Escape") { box.open = false; box.firstElementChild.focus(); } });
}

document.body.classList.toggle("wall", wall);
light();
paper();
zones();
menu();
login.setUp();
window.addEventListener("hashchange", route);
route();
const again = follow(take, (reason) => { why = reason; age(); });
onSession((s, other) => {
  if (other) again();
  if (!s.viewing) login.askLogin("The figures are shown after log-in.");
});
look().catch(() => {});
setInterval(age, 500);
