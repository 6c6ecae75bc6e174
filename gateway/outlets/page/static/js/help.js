// What each figure means, what must be done before work, how the page is used.
import { h } from "./dom.js";
import { HELP, PRIORITY, SAFETY, STATE } from "./words.js";

export function show(root) {
  const figures = Object.values(HELP).map(([name, unit, meaning]) =>
    h("div", {}, h("dt", {}, unit ? `${name}, ${unit}` : name), h("dd", {}, meaning)));
  const state = {
    unacknowledged: "It calls: it flashes, and the panel sounds.", acknowledged: "Somebody has seen it; it stands until what raised it is over.",
    returned: "It is over, but nobody has seen it yet.", shelved: "Shelved for a time, a day at most; it comes back by itself.",
    suppressed: "A weightier alarm tells the same.", "out-of-service": "Taken out for work on a sensor; it stays so until put back.",
  };
  const states = Object.entries(state).map(([key, said]) => h("div", {}, h("dt", {}, STATE[key]), h("dd", {}, said)));
  root.replaceChildren(
    h("h2", {}, "Help"),
    h("section", { class: "cautions" }, h("h3", {}, "Before any work on the drive"),
      h("p", {}, "This gateway is a monitoring aid. It is not a safety device, does not stop or start anything, and never replaces the engine maker's manual, class rules, the ship's safety management system, a permit to work, or a licensed engineer's judgement."),
      h("ul", {}, SAFETY.map((line) => h("li", {}, line)))),
    h("section", {}, h("h3", {}, "The figures"), h("dl", { class: "plain" }, figures)),
    h("section", {}, h("h3", {}, "How far a reading may be believed"),
      h("p", {}, "Good: averaged over enough revolutions, no sensor in doubt. Uncertain: it is measured, but for the reason given it may be off. Not known: there is no figure, and none is made up.")),
    h("section", {}, h("h3", {}, "Alarms"),
      h("p", {}, `Priorities, highest first: ${Object.values(PRIORITY).join(", ")}; a triangle is an alarm, a circle a warning, a square a caution, also without colour. An alarm is judged only while the engine runs as it must for it; when the engine stops, what stood still stands.`),
      h("dl", { class: "plain" }, states)),
    h("section", {}, h("h3", {}, "This page"),
      h("p", {}, "All times are UTC. Figures renew themselves each second; when they do not, the page says so within five. Touch or press a figure's name to read what it means. With a keyboard: Tab goes on, Enter presses. Acting asks for a log-in and is put on record with your name; looking does not, unless the ship has set it so.")));
}
