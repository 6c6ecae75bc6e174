// What each figure means, what must be done before work, how the page is used.
import { h, text } from "./dom.js";
import { get } from "./api.js";
import { HELP, PRIORITY, SAFETY, STATE } from "./words.js";

export function show(root) {
  const figures = Object.values(HELP).map(([name, unit, meaning]) =>
    h("div", {}, h("dt", {}, unit ? `${name}, ${unit}` : name), h("dd", {}, meaning)));
  const state = {
    unacknowledged: "Nobody has acknowledged it. It flashes and the panel sounds.", acknowledged: "A person has acknowledged it. It stands until its cause is over.",
    returned: "Its cause is over. Nobody has acknowledged it yet.", shelved: "Shelved for a time, 24 h at most. It returns by itself.",
    suppressed: "A higher alarm stands for the same cause, or work in progress disturbs it.", "out-of-service": "Taken out for work on a sensor. It stays so until a person puts it back.",
  };
  const states = Object.entries(state).map(([key, meaning]) => h("div", {}, h("dt", {}, STATE[key]), h("dd", {}, meaning)));
  const alarms = h("div", { id: "help-alarms" }, h("p", { role: "status" }, "The list of alarms is being loaded …"));
  root.replaceChildren(
    h("h2", {}, "Help"),
    h("section", { class: "cautions" }, h("h3", {}, "Before any work on the drive"),
      h("p", {}, "This gateway is a monitoring aid. It is not a safety device. It does not stop or start anything. It never replaces the engine maker's manual, class rules, the ship's safety management system, a permit to work, or a licensed engineer's judgement."),
      h("ul", {}, SAFETY.map((line) => h("li", {}, line)))),
    h("section", {}, h("h3", {}, "The figures"), h("dl", { class: "plain" }, figures)),
    h("section", {}, h("h3", {}, "How far a reading may be believed"),
      h("p", {}, "Good: averaged over enough revolutions, no sensor in doubt. Uncertain: it is measured, but it may be wrong for the reason given. Not known: there is no figure, and none is made up.")),
    h("section", {}, h("h3", {}, "Alarms"),
      h("p", {}, `Priorities, highest first: ${Object.values(PRIORITY).join(", ")}. A triangle is an alarm, a circle is a warning, a square is a caution, also without colour. Each alarm is judged only in its own running state. When the engine stops, a standing alarm stays.`),
      h("dl", { class: "plain" }, states), h("h4", {}, "What to do for each alarm"), alarms),
    h("section", {}, h("h3", {}, "This page"),
      h("p", {}, "All times are UTC. Figures are renewed each second. If they stop, the page shows that within five seconds. Touch or press a figure's name to read what it means. With a keyboard: Tab goes to the next control, Enter presses it. An act needs a log-in and is recorded with your name. Reading needs none, unless the ship's settings require it.")));
  load(alarms);
}

// Each alarm in four lines; the gateway has the words, the same for page, panel and shore.
const LINES = { meaning: "Meaning", causes: "Likely causes", first: "Check first", ashore: "When to call ashore" };
async function load(place) {
  try {
    const { alarms } = await get("/api/help");
    place.replaceChildren(...alarms.map((a) => h("details", { "data-tag": a.tag },
      h("summary", {}, `${a.title} (${a.priority})`), h("p", {}, h("b", {}, a.action)),
      h("dl", { class: "plain" }, Object.entries(LINES).map(([key, name]) => h("div", {}, h("dt", {}, name), h("dd", {}, a[key])))))));
  } catch (e) {
    text(place.firstChild, e.message);
  }
}
