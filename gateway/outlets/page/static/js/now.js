// The present of each engine, large: its state first, then spring and lag, then all the rest.
import { attr, byId, h, number, text } from "./dom.js";
import { get } from "./api.js";
import { acknowledge } from "./acts.js";
import { counted, stands } from "./alarms.js";
import { tile } from "./tile.js";
import { AGREE, DO, GRAVER, HELP, LIMIT, QUALITY, REACHED, RUNNING, TILE } from "./words.js";
import { lagScale, springPicture } from "./pictures.js";

const TURN_MS = 10000;
const cards = new Map();
const still = new Map();
const narrow = matchMedia("(max-width: 40rem)");
const wall = new URLSearchParams(location.search).has("wall");
let house = null;

export function show(root, present, loss = null) {
  cards.clear();
  const fronts = h("div", { class: "engines" }), rest = h("div", { class: "engines rest" });
  const chips = h("ul", { class: "chips", "aria-label": "All engines" });
  house = { tile: tile(acknowledge), el: h("div", { class: "house", hidden: true }) };
  house.el.append(h("h2", {}, "Gateway"), house.tile.el);
  // The alarms stand between the state and the details; on other views they stand above.
  root.replaceChildren(h("h2", { class: "unseen", text: "Now" }), fronts, house.el, byId("alarms"), rest, wall ? chips : gateway());
  Object.assign(root, { fronts, rest, chips });
  if (present) update(root, present, loss);
}

// The alarms' place on other views must not go with this one.
export function leave() {
  document.body.insertBefore(byId("alarms"), byId("view"));
}

export function update(root, present, loss = null) {
  if (!root.fronts) return;
  for (const engine of present.engines) {
    let card = cards.get(engine.slug);
    if (!card) {
      card = make(engine);
      cards.set(engine.slug, card);
      root.fronts.append(card.front);
      if (!wall) root.rest.append(card.rest);
    }
    card.update(engine, engineState(engine, present, loss), present);
  }
  const own = present.state, calls = present.alarms.find((a) => a.tag === own.alert) || null;
  house.el.hidden = own.state === "normal" && !own.away.length;
  house.tile.update({ ...own, alert: calls, others: "", at: Date.parse(present.ts), what: own.what || "No alarms of the gateway itself." });
  if (wall) turn(root, present, loss);
}

// The gateway's own judgement, unless this page knows better: it no longer gets data, or none that move.
function engineState(e, present, loss) {
  const at = Date.parse(present.ts), s = { ...e.state, at };
  const alert = e.alarms.find((a) => a.tag === s.alert) || null;
  const others = e.alarms.filter((a) => stands(a) && a !== alert);
  const more = others.length ? `Also: ${counted(others)}.` : "";
  if (loss) return { ...s, state: "no-data", what: loss.what, since: loss.since, action: loss.action, alert, others: before(alert), at: Date.now() + loss.ahead };
  if (s.state === "no-data") return { ...s, alert, others: before(alert) };
  const quiet = quietSince(e);
  if (quiet) return { ...s, state: "no-data", what: "No new data from the sensor head", since: quiet, action: "Check the sensor head's supply and its cable.", alert, others: before(alert) };
  const d = e.trend && e.trend.decision;
  const plan = d && d.do !== "nothing" ? `${DO[d.do] || d.do}: ${d.why}` : "";
  if (s.state === "normal") {
    return { ...s, what: "All figures within their limits", since: null, action: plan || "No action needed.", alert: null, others: soon(e) };
  }
  // What is due at the drive is due before the start: pumps that are still advanced after re-timing, above all.
  if (s.state === "not-judged" && plan) return { ...s, action: plan, alert, others: more };
  return { ...s, what: alert && alert.now && !alert.now.startsWith("not") ? `${s.what}: ${alert.now}` : s.what, alert, others: more };
}

const before = (alert) => (alert ? `Before the data ended: ${TILE[alert.priority]}, ${alert.title.toLowerCase()}.` : "");

// What comes next, in one line.
function soon(e) {
  const n = e.trend && nearest(e);
  return n ? `Next: ${LIMIT[n.limit] || n.limit}${n.hours_to.p50 === null ? ":" : ""} ${e.outlook[n.limit].split(";")[0]}.` : "";
}

// Since when the engine's data have not moved; null while they do.
function quietSince(e) {
  const seen = still.get(e.slug);
  if (!seen || seen.ts !== e.ts) { still.set(e.slug, { ts: e.ts, at: performance.now() }); return null; }
  return e.ts && performance.now() - seen.at > e.quiet_s * 1000 ? e.ts : null;
}

// A wall display shows one engine after the other, and the state of all of them at the bottom.
function turn(root, present, loss) {
  const n = Math.floor(performance.now() / TURN_MS) % present.engines.length;
  const several = present.engines.length > 1;
  present.engines.forEach((e, i) => { cards.get(e.slug).front.hidden = several && i !== n; });
  const shown = present.engines.map((e) => [e.name, engineState(e, present, loss).state]);
  root.chips.hidden = !several;
  root.chips.replaceChildren(...(several ? shown.map(([name, state], i) => h("li", { "data-state": state, "aria-current": i === n ? "true" : null }, `${name}: ${TILE[state]}`)) : []));
}

function make(engine) {
  const running = h("p", { class: "running" });
  const spring = measured("spring_mm"), lag = measured("lag_deg");
  const springs = springPicture(), lags = lagScale();
  const [springBox, lagBox] = [["Spring, to scale", springs], ["Lag, to scale", lags]].map(([name, picture]) => h("figure", {}, h("figcaption", {}, name), picture.el));
  const pictures = h("div", { class: "pictures" });
  const state = tile(acknowledge);
  const small = figures();
  const ahead = comes();
  const front = h("article", { class: "engine front", "aria-labelledby": `e-${engine.slug}` },
    h("header", {}, h("h2", { id: `e-${engine.slug}`, text: engine.name }), running),
    state.el, h("div", { class: "two" }, spring.el, lag.el));
  const rest = h("article", { class: "engine detail", "aria-label": `${engine.name}, details` },
    pictures, small.el, ahead.el);
  // Beside the figures where there is room; on a phone below the alarms, so that the figures stay on the first screen.
  const place = () => {
    if (narrow.matches) pictures.replaceChildren(springBox, lagBox);
    else { spring.el.append(springBox); lag.el.append(lagBox); }
    pictures.hidden = !narrow.matches;
  };
  narrow.onchange = () => cards.forEach((c) => c.place());
  place();
  return {
    place,
    front, rest,
    update(e, shown) {
      const none = shown.state === "no-data";
      for (const el of [front, rest]) el.classList.toggle("old", none);
      state.update(shown);
      const rpm = e.rpm === null || e.running === "stopped" ? "" : `, ${number(e.rpm, 1)} rpm`;
      text(running, `${RUNNING[e.running] || e.running}${rpm}`);
      spring.update(e.spring_mm, number(e.spring_mm.value, 1), "mm", springPast(e), springWords(e));
      const l = e.lag_deg.value;
      const side = l === null ? "" : l > 0.005 ? "late" : l < -0.005 ? "early" : "";
      lag.update(e.lag_deg, l === null ? "–" : number(Math.abs(l), 2), l === null ? "" : `° ${side}`, lagPast(e), lagWords(e));
      springs.update(e); lags.update(e);
      small.update(e);
      ahead.update(e);
    },
  };
}

// How far past a limit a figure is: "exceeded", "warning" or "".
function springPast(e) {
  const v = e.spring_mm.value;
  return v !== null && (v < e.limits.low_mm || v > e.limits.high_mm) ? "exceeded" : "";
}

function lagPast(e) {
  const v = e.lag_deg.value === null ? 0 : Math.abs(e.lag_deg.value);
  return v >= e.limits.lag_limit_deg ? "exceeded" : v >= e.limits.lag_near_deg ? "warning" : "";
}

const PAST = { exceeded: "LIMIT EXCEEDED", warning: "WARNING LIMIT EXCEEDED", "": "" };

function springWords(e) {
  const l = e.limits;
  if (l.tightener === "locked") {
    const away = e.spring_mm.value === null ? "" : `${number(e.spring_mm.value - l.required_mm, 2)} mm from where it was locked; `;
    return `${away}locked at ${number(l.required_mm, 1)} mm, and may move by ${number(l.high_mm - l.required_mm, 1)} mm at most`;
  }
  const now = e.compression_mm === null ? "" : `${number(e.compression_mm, 1)} mm compressed; `;
  const least = l.required_compression_mm - (l.high_mm - l.required_mm);
  const most = l.required_compression_mm + (l.required_mm - l.low_mm);
  return `${now}required ${number(l.required_compression_mm, 1)}, band ${number(least, 1)} to ${number(most, 1)}`;
}

function lagWords(e) {
  const l = e.limits;
  return `warning limit ${number(l.lag_near_deg, 1)}°, limit ${number(l.lag_limit_deg, 1)}°`;
}

function measured(key) {
  const value = h("span", { class: "value", "data-figure": key });
  const unit = h("span", { class: "unit" });
  const past = h("p", { class: "past" }), words = h("p", { class: "words" });
  const quality = h("p", { class: "quality" });
  const { button, note } = explained(key);
  const el = h("section", { class: "measured" }, h("h3", {}, button), note,
    h("p", { class: "big" }, value, unit), past, words, quality);
  return {
    el,
    update(m, shown, u, limit, about) {
      text(words, about);
      text(value, shown);
      text(unit, u.startsWith("°") ? u : ` ${u}`);
      attr(el, "data-past", limit);
      text(past, PAST[limit]);
      attr(quality, "data-quality", m.quality);
      text(quality, m.value === null ? `Not known: ${m.reason}` : `${QUALITY[m.quality]}${m.reason ? `: ${m.reason}` : ""}`);
    },
  };
}

// A figure's name is a button that shows what it means, in place.
export function explained(key, shown) {
  const [name, unit, meaning] = HELP[key];
  const id = `what-${key}-${Math.random().toString(36).slice(2, 8)}`;
  const note = h("p", { id, class: "note", hidden: true, text: unit ? `${meaning} In ${unit}.` : meaning });
  const button = h("button", { type: "button", class: "what", "aria-expanded": "false", "aria-controls": id,
    onclick: () => {
      note.hidden = !note.hidden;
      attr(button, "aria-expanded", !note.hidden);
    } }, shown || name);
  return { button, note };
}

const SMALL = [
  ["elongation_percent", 3, "%", (e) => e.elongation_percent], ["slap_mm", 2, "mm", (e) => e.slap_mm],
  ["lag_p2p_deg", 3, "°", (e) => e.lag_p2p_deg], ["tension_n", 0, "N", (e) => e.tension_n],
  ["casing_c", 1, "°C", (e) => e.casing_c], ["hours", 1, "h", (e) => e.hours],
  ["since_retightened", 0, "h", (e) => e.trend && e.trend.hours_since.retightened],
  ["since_set", 0, "h", (e) => e.trend && e.trend.hours_since.camshaft_set],
  ["lost_motion_deg", 2, "°", (e) => e.trend && e.trend.lost_motion_deg.p50],
];

function figures() {
  const rows = SMALL.map(([key, digits, unit, of]) => {
    const value = h("dd", { "data-figure": key });
    const { button, note } = explained(key);
    return { el: h("div", {}, h("dt", {}, button), value, h("dd", { class: "meaning" }, note)), value, digits, unit, of };
  });
  return {
    el: h("dl", { class: "figures" }, rows.map((r) => r.el)),
    update(e) {
      for (const r of rows) {
        const v = r.of(e);
        text(r.value, v === null || v === undefined ? "not known" : `${number(v, r.digits)}${r.unit === "°" ? "" : " "}${r.unit}`);
      }
    },
  };
}

function comes() {
  const next = h("p", { class: "next", "data-figure": "next" });
  const todo = h("p", { class: "todo" });
  const agree = h("p", { class: "words" });
  const lost = h("p", { class: "words", "data-figure": "lost_motion" });
  const { button, note } = explained("next");
  return {
    el: h("section", { class: "ahead" }, h("h3", {}, button), note, next, todo, agree, lost),
    update(e) {
      text(next, nextWords(e));
      const d = e.trend && e.trend.decision;
      text(todo, d ? `${DO[d.do] || d.do}: ${d.why}` : "");
      const causes = e.trend && e.trend.causes.length ? ` Likely causes: ${e.trend.causes.join("; ")}.` : "";
      text(lost, e.lost_motion ? `Lost motion: ${e.lost_motion}` : "");
      text(agree, e.trend ? AGREE[e.trend.agreement] + causes : "");
    },
  };
}

// By the trend, or by the present figure: its alarm stands, or the graver one of the pair.
const at = (e, l) => l.hours_to.p50 === 0 || e.alarms.some((a) => a.active && [l.limit, GRAVER[l.limit]].includes(a.tag));

function reached(e) {
  const tags = e.trend.limits.filter((l) => at(e, l)).map((l) => l.limit);
  const words = tags.filter((tag) => !tags.includes(GRAVER[tag])).map((tag) => REACHED[tag] || tag);
  return words.length ? `Reached: ${words.join(", ")}. ` : "";
}

function nearest(e) {
  const known = e.trend.limits.filter((l) => !at(e, l) && (l.hours_to.p05 !== null || l.hours_to.p50 !== null));
  const early = (l) => l.hours_to.p05 ?? l.hours_to.p50;
  return known.sort((a, b) => early(a) - early(b))[0] || null;
}

function nextWords(e) {
  if (!e.trend) return "Not known yet: the trend needs some hours of warm, steady running.";
  const n = nearest(e), now = reached(e);
  if (!n) return now.trim() || (e.trend.why_unknown ? `The next limit is ${e.trend.why_unknown}.` : "No limit is in sight.");
  const what = LIMIT[n.limit] || n.limit;
  // In words from the gateway: rounded to what is known.
  const when = n.hours_to.p50 === null ? `: ${e.outlook[n.limit]}` : ` ${e.outlook[n.limit]}`;
  // An interval of running hours has no trend, and its alarm comes when it is over.
  const exact = n.hours_to.p05 === n.hours_to.p50;
  const next = now ? `${now}Next: ${what}${when}.` : `${what[0].toUpperCase()}${what.slice(1)}${when}.`;
  return exact ? next : `${next} An alarm goes by the present figure and may come before.`;
}

// The gateway itself: read only while somebody has it open.
function gateway() {
  const body = h("div", { text: "…" });
  const el = h("details", { class: "gateway" }, h("summary", {}, "The gateway itself"), body);
  el.addEventListener("toggle", async () => {
    if (!el.open) return;
    try {
      body.replaceChildren(...lines(await get("/api/status")));
    } catch (e) {
      text(body, e.message);
    }
  });
  return el;
}

function lines(st) {
  const row = (name, words) => h("div", {}, h("dt", {}, name), h("dd", {}, words));
  const rows = [];
  for (const [name, b] of Object.entries(st.brokers || {})) {
    const waits = b.waiting ? `, ${b.waiting} events wait` : ", all delivered";
    rows.push(row(`Broker ${name}`, (b.connected ? "connected" : `not connected: ${b.why_not}`) + waits));
  }
  for (const [name, x] of Object.entries(st.heads || {})) rows.push(row(`Sensor head ${name}`, x.text));
  for (const [name, why] of Object.entries(st.panel || {})) rows.push(row(name, why));
  const disk = st.storage || {};
  rows.push(row("Storage", `${disk.fault || disk.nearly_full || "OK"}${disk.free_mb ? `, ${number(disk.free_mb, 0)} MB free` : ""}`));
  for (const [name, words] of (st.load && st.load.lines) || []) rows.push(row(`Alarm load: ${name}`, words));
  rows.push(row("Version", st.version || "–"));
  return [h("dl", { class: "plain" }, rows)];
}
