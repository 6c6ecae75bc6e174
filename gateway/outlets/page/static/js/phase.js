// One step of an open sheet fills the screen: the caution that applies now, the step, the live figure, one button.
import { attr, h, number, text, time } from "./dom.js";

export const SENSE = { ahead: "AHEAD \u21bb", astern: "ASTERN \u21ba", see: "LOOK WHICH WAY" };
const SWIPE_PX = 60;

// `place`: { get, set } of the position kept on this device; `act(what, more)` acts at the sheet.
export function phaseCard(act, place) {
  let body = null;
  let from = null;
  let wasOver = null;
  let sound = null;
  const where = h("p", { class: "words" });
  const caution = h("p", { class: "step-caution" });
  const step = h("p", { class: "step-now" });
  const sense = h("p", { class: "sense-now" });
  const figure = h("p", { class: "figure-now" });
  const typed = h("input", { maxlength: 200, autocomplete: "off" });
  const label = h("label", {}, h("span", {}), typed);
  const done = h("p", { class: "words" });
  const button = h("button", { type: "button", class: "do-now", onclick: () => press() });
  const sign = h("button", { type: "button", onclick: () => act("countersign", { key: now().key }) }, "Countersign");
  const tone = h("button", { type: "button", "aria-pressed": "false", onclick: () => {
    sound = sound ? null : new AudioContext();
    attr(tone, "aria-pressed", Boolean(sound));
  } }, "Tone at the target");
  const move = (by) => {
    place.set(Math.max(0, Math.min(body.steps.length - 1, at() + by)));
    draw(body);
  };
  const list = h("button", { type: "button", onclick: () => toggle() }, "All steps (L)");
  const toggle = () => el.parentElement && el.parentElement.classList.toggle("list");
  const el = h("section", { class: "phase-card", "aria-label": "Step now" }, where, caution, step, sense, figure, label, done, button,
    h("p", { class: "row" }, h("button", { type: "button", onclick: () => move(-1) }, "Previous"),
      h("button", { type: "button", onclick: () => move(1) }, "Next"), list, sign, tone));
  el.addEventListener("touchstart", (e) => { from = e.changedTouches[0].clientX; }, { passive: true });
  el.addEventListener("touchend", (e) => {
    if (from !== null && Math.abs(e.changedTouches[0].clientX - from) > SWIPE_PX) toggle();
    from = null;
  });
  const key = (e) => {
    if (!el.isConnected) return document.removeEventListener("keydown", key);
    if (e.key.toLowerCase() === "l" && !["INPUT", "SELECT", "TEXTAREA"].includes(e.target.tagName) && !e.ctrlKey && !e.metaKey) toggle();
  };
  document.addEventListener("keydown", key);

  const ticks = () => body.record.ticks;
  const open = () => body.steps.findIndex((s) => !ticks()[s.key]);
  const at = () => {
    const kept = place.get();
    return kept === null || kept === undefined ? Math.max(0, open() < 0 ? body.steps.length - 1 : open()) : Math.min(kept, body.steps.length - 1);
  };
  const now = () => body.steps[at()];
  const input = () => body.inputs.find((i) => i.step === now().key && !body.record.figures[i.name]);

  async function press() {
    const s = now();
    const i = input();
    if (i) {
      const value = typed.value.trim() || (i.take === null ? "" : String(i.take));
      if (value && await act("figure", { key: i.name, value })) typed.value = "";
      return;
    }
    if (ticks()[s.key]) return move(1);
    if (await act("tick", { key: s.key })) {
      place.set(null);
      draw(body);
    }
  }

  function beep(over) {
    if (!sound) return;
    for (const n of over ? [0, 0.25] : [0]) {
      const o = sound.createOscillator();
      o.frequency.value = over ? 440 : 880;
      o.connect(sound.destination);
      o.start(sound.currentTime + n);
      o.stop(sound.currentTime + n + 0.18);
    }
  }

  function draw(b) {
    body = b;
    if (!b.record) return;
    const s = now();
    const i = input();
    const tick = ticks()[s.key];
    const n = at();
    text(where, `${s.phase ? `${s.phase}: ` : ""}step ${n + 1} of ${b.steps.length}`);
    text(caution, s.caution);
    caution.hidden = !s.caution;
    text(step, s.text);
    text(sense, SENSE[s.sense] || "");
    sense.hidden = !SENSE[s.sense];
    const big = b.figures.filter((f) => f.big);
    text(figure, big.map((f) => `${f.name}: ${typeof f.value === "number" ? `${number(f.value, f.digits)} ${f.unit}` : f.value ?? "not known"}`).join("\n"));
    label.hidden = !i;
    if (i) text(label.firstChild, `${i.label}${i.unit ? `, ${i.unit}` : ""} `);
    text(button, i ? (i.take === null ? `Keep ${i.label.toLowerCase()}` : `${i.press || "Take"} ${i.moment ? "" : number(i.take, 2)}`.trim()) : tick ? "Next step" : `Done: ${s.confirm || "this step"}`);
    text(done, tick ? `Ticked by ${tick.by}, ${time(tick.utc_s * 1000)} UTC${tick.second_by ? `; countersigned by ${tick.second_by}, ${time(tick.second_utc_s * 1000)} UTC` : ""}` : `${s.who}`);
    sign.hidden = !tick || Boolean(tick.second_by);
    const goal = b.figures.find((f) => f.key === "to_go_mm");
    const over = !goal || typeof goal.value !== "number" ? null : goal.value < -0.1 ? 2 : goal.value <= 0.1 ? 1 : 0;
    if (over && over !== wasOver && wasOver !== null) beep(over === 2);
    wasOver = over;
  }
  return { el, draw };
}
