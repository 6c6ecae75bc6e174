// The present of each engine, large.
import { attr, h, number, text } from "./dom.js";
import { get } from "./api.js";
import { AGREE, DO, GRAVER, HELP, LIMIT, QUALITY, REACHED, RUNNING } from "./words.js";
import { lagScale, springPicture } from "./pictures.js";

const cards = new Map();

export function show(root, present) {
  cards.clear();
  const list = h("div", { class: "engines" });
  root.replaceChildren(h("h2", { class: "unseen", text: "Now" }), list, gateway());
  root.list = list;
  if (present) update(root, present);
}

export function update(root, present) {
  for (const engine of present.engines) {
    let card = cards.get(engine.slug);
    if (!card) {
      card = make(engine);
      cards.set(engine.slug, card);
      root.list.append(card.el);
    }
    card.update(engine);
  }
}

function make(engine) {
  const running = h("p", { class: "running" });
  const spring = measured("spring_mm", springPicture());
  const lag = measured("lag_deg", lagScale());
  const small = figures();
  const ahead = comes();
  const moved = { ts: null, at: 0 };
  const el = h("article", { class: "engine", "aria-labelledby": `e-${engine.slug}` },
    h("header", {}, h("h2", { id: `e-${engine.slug}`, text: engine.name }), running),
    h("div", { class: "two" }, spring.el, lag.el), small.el, ahead.el);
  return {
    el,
    update(e) {
      const rpm = e.rpm === null ? "" : `, ${number(e.rpm, 1)} rpm`;
      const deaf = e.head_heard ? "" : " – nothing is heard from the sensor head";
      if (e.ts !== moved.ts) Object.assign(moved, { ts: e.ts, at: performance.now() });
      const still_s = (performance.now() - moved.at) / 1000;
      const old = e.head_heard && still_s > e.quiet_s;
      el.classList.toggle("old", old);
      const since = old ? ` – nothing new from the sensor head for ${number(still_s, 0)} s: these figures are old` : "";
      text(running, `${RUNNING[e.running] || e.running}${e.running === "stopped" ? "" : rpm}${deaf}${since}`);
      spring.update(e.spring_mm, number(e.spring_mm.value, 1), "mm", springWords(e), e);
      const l = e.lag_deg.value;
      const side = l === null ? "" : l > 0.005 ? "late" : l < -0.005 ? "early" : "";
      lag.update(e.lag_deg, l === null ? "–" : number(Math.abs(l), 2), l === null ? "" : `° ${side}`, lagWords(e), e);
      small.update(e);
      ahead.update(e);
    },
  };
}

function springWords(e) {
  const l = e.limits;
  if (l.tightener === "locked") {
    const away = e.spring_mm.value === null ? "" : `${number(e.spring_mm.value - l.required_mm, 2)} mm from where it was locked; `;
    return `${away}locked at ${number(l.required_mm, 1)} mm, and may move by ${number(l.high_mm - l.required_mm, 1)} mm at most`;
  }
  const now = e.compression_mm === null ? "" : `${number(e.compression_mm, 1)} mm compressed; `;
  const least = l.required_compression_mm - (l.high_mm - l.required_mm);
  const most = l.required_compression_mm + (l.required_mm - l.low_mm);
  return `${now}${number(l.required_compression_mm, 1)} asked for, ${number(least, 1)} to ${number(most, 1)} allowed`;
}

function lagWords(e) {
  const l = e.limits;
  return `near its limit from ${number(l.lag_near_deg, 1)}°, limit ${number(l.lag_limit_deg, 1)}°`;
}

function measured(key, picture) {
  const value = h("span", { class: "value", "data-figure": key });
  const unit = h("span", { class: "unit" });
  const words = h("p", { class: "words" });
  const quality = h("p", { class: "quality" });
  const { button, note } = explained(key);
  const el = h("section", { class: "measured" }, h("h3", {}, button), note,
    h("p", { class: "big" }, value, " ", unit), words, picture.el, quality);
  return {
    el,
    update(m, shown, u, said, engine) {
      text(value, shown);
      text(unit, u);
      text(words, said);
      attr(quality, "data-quality", m.quality);
      text(quality, m.value === null ? `Not known: ${m.reason}` : `Reading ${QUALITY[m.quality]}${m.reason ? `: ${m.reason}` : ""}`);
      picture.update(engine);
    },
  };
}

// A figure's name is a button that tells what it means, in place.
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

// By the trend, or by the present figure: its alarm has called, or the graver one of the pair.
const at = (e, l) => l.hours_to.p50 === 0 || e.alarms.some((a) => a.active && [l.limit, GRAVER[l.limit]].includes(a.tag));

function reached(e) {
  const tags = e.trend.limits.filter((l) => at(e, l)).map((l) => l.limit);
  const said = tags.filter((tag) => !tags.includes(GRAVER[tag])).map((tag) => REACHED[tag] || tag);
  return said.length ? `Reached: ${said.join(", ")}. ` : "";
}

function nearest(e) {
  const known = e.trend.limits.filter((l) => !at(e, l) && (l.hours_to.p05 !== null || l.hours_to.p50 !== null));
  const early = (l) => l.hours_to.p05 ?? l.hours_to.p50;
  return known.sort((a, b) => early(a) - early(b))[0] || null;
}

function nextWords(e) {
  if (!e.trend) return "Not known yet: it comes with the first hours of warm, steady running.";
  const n = nearest(e), now = reached(e);
  if (!n) return now.trim() || (e.trend.why_unknown ? `The next limit is ${e.trend.why_unknown}.` : "No limit is in sight.");
  const what = LIMIT[n.limit] || n.limit;
  // In words from the gateway: rounded to what is known.
  const said = n.hours_to.p50 === null ? `: ${e.outlook[n.limit]}` : ` ${e.outlook[n.limit]}`;
  // An interval of running hours has no trend, and its alarm comes when it is over.
  const exact = n.hours_to.p05 === n.hours_to.p50;
  const next = now ? `${now}Next: ${what}${said}.` : `${what[0].toUpperCase()}${what.slice(1)}${said}.`;
  return exact ? next : `${next} An alarm goes by the present figure and may come before.`;
}

// The gateway itself: asked for only while somebody has it open.
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
  const row = (name, said) => h("div", {}, h("dt", {}, name), h("dd", {}, said));
  const rows = [];
  for (const [name, b] of Object.entries(st.brokers || {})) {
    const waits = b.waiting ? `, ${b.waiting} events wait` : ", all delivered";
    rows.push(row(`Broker ${name}`, (b.connected ? "connected" : `not connected: ${b.why_not}`) + waits));
  }
  for (const [name, x] of Object.entries(st.heads || {})) rows.push(row(`Sensor head ${name}`, x.text));
  for (const [name, why] of Object.entries(st.panel || {})) rows.push(row(name, why));
  const disk = st.storage || {};
  rows.push(row("Storage", `${disk.fault || disk.nearly_full || "well"}${disk.free_mb ? `, ${number(disk.free_mb, 0)} MB free` : ""}`));
  for (const [name, said] of (st.load && st.load.lines) || []) rows.push(row(`Load on people: ${name}`, said));
  rows.push(row("Version", st.version || "–"));
  return [h("dl", { class: "plain" }, rows)];
}
