// The page's sound: a tone for each priority while something is not acknowledged. A browser makes no sound before
// somebody has pressed a button, so it is switched on once a session; silenced, it is back after 30 s.
import { byId, text } from "./dom.js";

export const SILENCE_MS = 30000;
// Beeps: frequency in Hz, begin and length in s; and how often they come again, in ms. An alarm's are quick and
// alternate, a warning's are one low double beep: neither can be taken for the other. A caution has none.
export const TONES = {
  "emergency-alarm": { every: 1000, beeps: [[1200, 0, 0.12], [900, 0.16, 0.12], [1200, 0.32, 0.12], [900, 0.48, 0.12], [1200, 0.64, 0.12]] },
  alarm: { every: 2000, beeps: [[960, 0, 0.18], [720, 0.22, 0.18], [960, 0.44, 0.18], [720, 0.66, 0.18]] },
  warning: { every: 10000, beeps: [[440, 0, 0.3], [440, 0.5, 0.3]] },
};
let context = null;
let silentUntil = 0;
let wanted = null;
let next = 0;
let allowed = false;
let known = new Set();
let wasSilenced = false;

export const rank = ["emergency-alarm", "alarm", "warning"];
export const on = () => context !== null && context.state === "running";

// The highest priority that calls: what is not acknowledged, and lost figures as a warning. `silenced`: at the panel.
export function call(alarms, lost, silenced) {
  const calls = alarms.filter((a) => a.unacknowledged && rank.includes(a.priority));
  const keys = [...calls.map((a) => `${a.engine}/${a.tag}/${a.since}`), ...(lost ? ["lost"] : [])];
  if (silenced && !wasSilenced) silence();
  wasSilenced = silenced;
  // What is new sounds at once, also while an older one is silenced.
  if (keys.some((k) => !known.has(k))) { silentUntil = 0; next = 0; }
  known = new Set(keys);
  wanted = rank.find((p) => calls.some((a) => a.priority === p)) || (lost ? "warning" : null);
  show();
}

export const silence = () => { silentUntil = performance.now() + SILENCE_MS; show(); };

function beat() {
  const now = performance.now();
  if (wanted && on() && now >= silentUntil && now >= next) {
    next = now + TONES[wanted].every;
    play(context, TONES[wanted]);
  }
  show();
}

// Schedules the beeps of one tone in an audio context, with soft edges.
export function play(where, tone, at = where.currentTime) {
  for (const [hertz, begin, length] of tone.beeps) {
    const o = new OscillatorNode(where, { type: "triangle", frequency: hertz });
    const g = new GainNode(where, { gain: 0 });
    const from = at + begin;
    g.gain.setValueAtTime(0, from);
    g.gain.linearRampToValueAtTime(0.5, from + 0.02);
    g.gain.setValueAtTime(0.5, from + length - 0.03);
    g.gain.linearRampToValueAtTime(0, from + length);
    o.connect(g).connect(where.destination);
    o.start(from);
    o.stop(from + length);
  }
}

function show() {
  const sounding = allowed && wanted !== null && on() && performance.now() >= silentUntil;
  const root = document.documentElement;
  root.dataset.sound = !allowed ? "none" : sounding ? wanted : wanted && on() ? "silenced" : on() ? "on" : "off";
  byId("sound").hidden = !allowed;
  text(byId("sound"), on() ? "Sound on" : "Sound off");
  byId("sound").setAttribute("aria-pressed", String(on()));
  byId("silence").hidden = !sounding;
}

async function toggle() {
  if (on()) await context.suspend();
  else {
    context ??= new AudioContext();
    await context.resume();
  }
  next = 0;
  show();
}

// `may`: the setting. `atOnce`: a wall display has no buttons; where the browser allows it, it sounds by itself.
export function setUp(may, atOnce) {
  allowed = may;
  if (may && !context) {
    byId("sound").addEventListener("click", toggle);
    byId("silence").addEventListener("click", silence);
    setInterval(beat, 250);
    if (atOnce) {
      toggle().catch(() => {});
      document.addEventListener("pointerdown", () => { if (!on()) toggle().catch(() => {}); });
    }
  }
  show();
}
