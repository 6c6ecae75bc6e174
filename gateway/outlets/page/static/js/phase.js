// One step of an open sheet fills the screen: the caution that applies now, the step, the live figure, one button.
import { attr, h, number, text, time } from "./dom.js";
import { SENSE } from "./steps.js";

const SWIPE_PX = 60;
const BOOK = "book";
const THERE_MM = 0.1;

// `place`: { get, set } of the position kept on this device; `act(what, more)` acts at the sheet; `form`: the booking,
// shown at its step; `tools` of the sheet: how figures, notices and waiting times are written.
export function phaseCard(act, place, form, tools) {
  let body = null;
  let from = null;
  let wasOver = null;
  let sound = null;
  let asked = "";
  const where = h("p", { class: "words" });
  const caution = h("p", { class: "step-caution" });
  const step = h("p", { class: "step-now" });
  const sense = h("p", { class: "sense-now" });
  const waits = h("div", {});
  const figures = h("dl", { class: "figure-now" });
  const notices = h("div", { class: "now-notices", role: "status" });
  const typed = h("input", { maxlength: 200, autocomplete: "off", oninput: () => draw(body) });
  const label = h("label", {}, h("span", {}), typed);
  const done = h("p", { class: "words" });
  const button = h("button", { type: "button", class: "do-now", onclick: () => press() });
  const again = h("button", { type: "button", onclick: () => retake() });
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
  const el = h("section", { class: "phase-card", "aria-label": "Step now" }, where, caution, step, waits, notices,
    h("div", { class: "phase-foot" }, sense, figures, label, button), again, done, form, h("p", { class: "row" }, h("button", { type: "button", onclick: () => move(-1) }, "Previous"),
      h("button", { type: "button", onclick: () => move(1) }, "Next"), list, sign, tone));
  // On the card and on the list alike. A finger that scrolls goes more up or down than sideways.
  const touch = (e) => {
    if (!el.isConnected) {
      for (const kind of ["touchstart", "touchend"]) document.removeEventListener(kind, touch);
      return;
    }
    const to = e.changedTouches[0];
    if (e.type === "touchstart") {
      from = !el.hidden && el.parentElement.contains(e.target) ? to : null;
      return;
    }
    const sideways = from ? Math.abs(to.clientX - from.clientX) : 0;
    if (sideways > SWIPE_PX && sideways > 2 * Math.abs(to.clientY - from.clientY)) toggle();
    from = null;
  };
  for (const kind of ["touchstart", "touchend"]) document.addEventListener(kind, touch, { passive: true });
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
  const mine = () => body.inputs.filter((i) => i.step === now().key);
  const kept = (i) => body.record.figures[i.name];
  // What is still to be taken or typed at this step, and what may be taken again.
  const input = () => mine().find((i) => !kept(i) && !i.locked);
  const second = () => mine().find((i) => kept(i) && !i.locked && i.take !== null);
  const value = (i) => typed.value.trim() || (i.take === null ? "" : String(i.take));
  const figure = (i, v) => (i.moment ? `${time(Number(v) * 1000)} UTC` : `${v} ${i.unit}`.trim());

  async function press() {
    const s = now();
    const i = input();
    button.disabled = true;
    if (i) {
      if (value(i) && await act("figure", { key: i.name, value: value(i) })) typed.value = "";
    } else if (ticks()[s.key]) {
      move(1);
    } else if (await act("tick", { key: s.key })) {
      place.set(null);
    }
    draw(body);
  }

  async function retake() {
    const i = second();
    if (i) await act("figure", { key: i.name, value: String(i.take) });
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

  function words(i, tick, s) {
    if (!i) return tick ? "Next step" : `Done: ${s.confirm || "this step"}`;
    if (typed.value.trim()) return `Keep ${typed.value.trim()} ${i.unit}`.trim();
    const name = i.press || "Take";
    return i.take === null ? (i.press || "Type the figure") : `${name} ${i.moment ? "" : number(i.take, 2)}`.trim();
  }

  function draw(b) {
    body = b;
    if (!b.record) return;
    const s = now();
    const i = input();
    const tick = ticks()[s.key];
    if (asked !== `${s.key} ${i ? i.name : ""}`) {
      asked = `${s.key} ${i ? i.name : ""}`;
      typed.value = i ? i.value : "";
    }
    attr(el, "data-step", s.key);
    text(where, `${s.phase ? `${s.phase}: ` : ""}step ${at() + 1} of ${b.steps.length}`);
    text(caution, s.caution);
    caution.hidden = !s.caution;
    text(step, s.text);
    text(sense, SENSE[s.sense] || "");
    sense.hidden = !SENSE[s.sense];
    tools.waits(waits, b.waits.filter((w) => w.text === s.wait));
    tools.figures(figures, s.live ? b.figures.filter((f) => f.big).map((f) => ({ ...f, help: "" })) : []);
    tools.notices(notices, s.live ? b.notices : b.notices.filter((x) => x.booking && s.key === BOOK));
    label.hidden = !i || i.moment;
    if (i) text(label.firstChild, `${i.label}${i.unit ? `, ${i.unit}` : ""} `);
    const booking = s.key === BOOK && !b.record.booked.length;
    button.hidden = booking;
    form.hidden = s.key !== BOOK;
    button.disabled = Boolean(i) && !value(i);
    text(button, words(i, tick, s));
    const more = second();
    again.hidden = !more;
    if (more) text(again, `${more.press || "Take"} again${more.moment ? "" : ` ${number(more.take, 2)}`}`);
    const taken = mine().filter(kept).map((x) => `${x.label} ${figure(x, kept(x))}.`).join(" ");
    text(done, `${taken} ${tick ? `Ticked by ${tools.ticked(tick)}.` : s.who}`.trim());
    sign.hidden = !tick || Boolean(tick.second_by);
    const goal = b.figures.find((f) => f.key === "to_go_mm");
    const over = !goal || typeof goal.value !== "number" ? null : goal.value < -THERE_MM ? 2 : goal.value <= THERE_MM ? 1 : 0;
    if (over && over !== wasOver && wasOver !== null) beep(over === 2);
    wasOver = over;
  }
  return { el, draw };
}
