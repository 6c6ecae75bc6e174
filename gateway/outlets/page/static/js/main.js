// The page's frame: which view is shown, the live stream, how old the figures are, the light.
import { attr, byId, h, stamp, text, time } from "./dom.js";
import { follow, look, onSession, session } from "./api.js";
import * as alarms from "./alarms.js";
import * as commission from "./commission.js";
import * as course from "./course.js";
import * as help from "./help.js";
import * as log from "./log.js";
import * as login from "./login.js";
import * as now from "./now.js";
import * as sheets from "./sheets.js";

const STALE_MS = 3500;
const VIEWS = { now, course, log, sheets, commission, help };
// A view without a place of its own in the navigation stands under another one.
const UNDER = { commission: "sheets" };
let present = null;
let heardAt = 0;
let why = "";
let shown = "";

function route() {
  const name = location.hash.slice(1).split("/")[0];
  if (name === "view") return;
  const wanted = name in VIEWS ? name : "now";
  for (const a of document.querySelectorAll(".views a")) {
    if (a.hash === `#${UNDER[wanted] || wanted}`) a.setAttribute("aria-current", "page");
    else a.removeAttribute("aria-current");
  }
  if (wanted === shown) return;
  if (shown && VIEWS[shown].leave) VIEWS[shown].leave();
  const first = shown === "";
  shown = wanted;
  const root = byId("view");
  root.className = `view-${wanted}`;
  document.body.dataset.view = wanted;
  VIEWS[wanted].show(root, present);
  if (!first) root.focus();
  title();
}

function title() {
  const calls = present ? [...present.engines.flatMap((e) => e.alarms), ...present.alarms].filter((a) => a.unacknowledged).length : 0;
  document.title = `${calls ? `(${calls}) ` : ""}${present ? present.vessel : "Chain drive"} – ${shown}`;
}

function told(body) {
  const first = !present;
  present = body;
  heardAt = performance.now();
  why = "";
  text(byId("vessel"), body.vessel);
  text(byId("clock"), time(Date.parse(body.ts)));
  alarms.update(body);
  const work = body.engines.filter((e) => e.work_since);
  text(byId("work"), work.map((e) => `WORK IN PROGRESS at ${e.name} since ${stamp(Date.parse(e.work_since))} UTC. Alarms that the work disturbs are suppressed.`).join(" "));
  if (first) VIEWS[shown].show(byId("view"), body);
  else if (VIEWS[shown].update) VIEWS[shown].update(byId("view"), body);
  title();
  age();
}

// How old the figures are; beyond a few seconds it is said, large, and the figures are struck pale.
function age() {
  const old = present ? performance.now() - heardAt : Infinity;
  const lost = old > STALE_MS;
  const halted = !lost && !present.fresh;
  document.body.classList.toggle("stale", lost || halted);
  const said = lost
    ? why || (present ? `The gateway does not answer. These figures are of ${time(Date.parse(present.ts))} UTC.` : performance.now() > STALE_MS ? "The gateway does not answer." : "")
    : halted ? "A part of the gateway does not come round: these figures may be old. Look at its log." : "";
  text(byId("banner"), said);
  const link = byId("link");
  attr(link, "data-link", lost ? "lost" : halted ? "halted" : "live");
  text(link, lost ? (present ? `not live, ${Math.round(old / 1000)} s old` : "waiting for the gateway") : halted ? "gateway halted" : "live");
}

function light() {
  const select = byId("theme");
  const apply = (value) => {
    if (value === "auto") delete document.documentElement.dataset.theme;
    else document.documentElement.dataset.theme = value;
    document.dispatchEvent(new Event("light"));
  };
  try { select.value = localStorage.getItem("light") || "auto"; } catch { /* a browser that keeps nothing */ }
  select.addEventListener("change", () => {
    try { localStorage.setItem("light", select.value); } catch { /* the same */ }
    apply(select.value);
  });
  apply(select.value || "auto");
}

light();
login.setUp();
window.addEventListener("hashchange", route);
route();
const anew = follow(told, (reason) => { why = reason; age(); });
onSession((s, other) => {
  if (other) anew();
  if (!s.viewing) login.askLogin("The figures are shown after log-in.");
});
look().catch(() => {});
setInterval(age, 500);
