// Steps to tick, under the headings of their phases, each with its caution, its sense and who confirms it.
// `ticks`: when each was ticked, by its key; `keep` is called after a change of them.
import { h, text, time } from "./dom.js";

const SENSE = { ahead: "AHEAD \u21bb", astern: "ASTERN \u21ba", see: "LOOK WHICH WAY" };

// The phases as headings, each with its own list; the numbers go on from list to list.
export function steps(wanted, ticks, keep) {
  const out = [];
  for (const [n, s] of wanted.entries()) {
    const last = out[out.length - 1];
    if (!last || last.phase !== s.phase) out.push({ phase: s.phase, start: n + 1, rows: [step(s, n, ticks, keep)] });
    else last.rows.push(step(s, n, ticks, keep));
  }
  return out.flatMap((p) => [p.phase ? h("h5", {}, p.phase) : null, h("ol", { class: "steps", start: p.start }, p.rows)]);
}

function step(s, n, ticks, keep) {
  const key = s.key || n;
  const when = h("span", { class: "words" });
  const mark = () => text(when, ticks[key] ? ` ${time(ticks[key])} UTC` : "");
  const box = h("input", { type: "checkbox", checked: Boolean(ticks[key]), onchange: () => {
    if (box.checked) ticks[key] = Date.now();
    else delete ticks[key];
    keep();
    mark();
  } });
  mark();
  const caution = s.caution ? h("p", { class: "step-caution" }, s.caution) : null;
  const sense = SENSE[s.sense] ? h("b", { class: "sense" }, SENSE[s.sense]) : null;
  return h("li", {}, caution, h("label", {}, box, h("span", {}, s.text)), sense, s.who || s.confirm
    ? h("p", { class: "words" }, `${[s.who, s.confirm].filter(Boolean).join(": ")} `, when, h("span", { class: "sign-here" })) : when);
}
