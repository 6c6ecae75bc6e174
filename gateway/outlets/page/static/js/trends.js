// The course: lag, elongation and spring over time with limits, work done, and the fit continued to the limit;
// and the lag over one turn of the crank.
import { day, h, lay, number, s, stamp, text, time } from "./dom.js";
import { get } from "./api.js";
import { explained } from "./now.js";
import { HELP } from "./words.js";

const H = 3600, D = 86400;
const SPANS = { "6h": ["6 hours", 6 * H], "2d": ["2 days", 2 * D], "30d": ["30 days", 30 * D], "1y": ["1 year", 365 * D], "5y": ["5 years", 1826 * D], ahead: ["to the limit", 365 * D] };
const RENEW_MS = { "6h": 60000, "2d": 120000 };
const AHEAD_MAX = 4 * 365 * D;
let span = "2d";
let engine = "";
let present = null;
let asked = 0;
let timer = 0;
let plots = [];
let turn = null;
let turning = null;
let got = null;
let root = null;
let ready = null;

// The chart library, loaded when this view is first opened.
const library = () => {
  ready ??= new Promise((done, fail) => {
    document.head.append(h("link", { rel: "stylesheet", href: "uplot/uPlot.min.css" }), h("script", { src: "uplot/uPlot.iife.min.js", onload: done, onerror: fail }));
  });
  return ready;
};

export function leave() {
  asked++;
  clearTimeout(timer);
  for (const p of plots) p.destroy();
  plots = [];
  if (turning) turning.destroy();
  turn = turning = null;
}

export function update(_root, body) {
  present = body;
  if (turn) turn.update(mine());
}

const mine = () => present.engines.find((e) => e.slug === engine) || present.engines[0];

export async function show(where, body) {
  root = where;
  await library();
  present = body;
  leave();
  if (!body || !body.engines.length) {
    root.replaceChildren(h("h2", {}, "Course"), h("p", {}, "Nothing is heard from the gateway yet."));
    present = null;
    return;
  }
  engine = mine().slug;
  const spans = h("fieldset", { class: "spans" }, h("legend", {}, "Over"), Object.entries(SPANS).map(([key, [name]]) =>
    h("label", {}, h("input", { type: "radio", name: "span", value: key, checked: key === span, onchange: () => { span = key; load(); } }), ` ${name}`)));
  const which = body.engines.length > 1
    ? h("p", {}, h("label", {}, "Engine ", h("select", { onchange: (e) => { engine = e.target.value; turn.update(mine(), true); load(); } },
      body.engines.map((e) => h("option", { value: e.slug, selected: e.slug === engine }, e.name))))) : null;
  const said = h("p", { role: "status", class: "words" });
  const charts = h("div", { class: "charts" });
  const marks = h("ol", { class: "marks" });
  turn = oneTurn();
  const legend = h("p", { class: "words" }, "Solid: measured. Dashed: the fit and where it goes on to; nine of ten cases lie within its shade. Numbers: work done, named below.");
  lay(root, h("h2", {}, "Course"), which, spans, said, legend, charts, marks, turn.el);
  root.parts = { said, charts, marks };
  turn.update(mine());
  load();
}

async function load() {
  clearTimeout(timer);
  const turnNo = ++asked;
  const e = mine();
  const now = e.ts ? Date.parse(e.ts) / 1000 : Date.parse(present.ts) / 1000;
  const { said } = root.parts;
  try {
    const points = Math.min(2000, Math.max(200, Math.round(root.clientWidth)));
    const body = await get("/api/history", { engine: e.slug, from: now - SPANS[span][1], to: now + 60, points });
    if (turnNo !== asked) return;
    got = { ...body, now };
    draw();
    if (RENEW_MS[span]) timer = setTimeout(load, RENEW_MS[span]);
  } catch (problem) {
    if (turnNo === asked) text(said, problem.message);
  }
}

function draw() {
  const e = mine();
  const { said, charts, marks } = root.parts;
  for (const p of plots) p.destroy();
  plots = [];
  const n = got.t.length;
  text(said, n ? `${got.grade === "minutes" ? "Means of a minute" : "Ten-minute medians of steady running"}, ${stamp(got.t[0] * 1000)} to ${stamp(got.t[n - 1] * 1000)} UTC.`
    : "Nothing was recorded in this time.");
  const l = e.limits;
  const specs = [
    { key: "lag_deg", help: "lag_deg", name: "Camshaft lag", unit: "°", digits: 2, data: [got.lag_deg], limits: [["limit", l.lag_limit_deg], ["near", l.lag_near_deg]], fit: fitOf(e, "lag_deg", "lag-limit", l.lag_limit_deg, "camshaft_set") },
    { key: "elongation_percent", help: "by_lag", name: "Chain elongation, by the lag", unit: "%", digits: 2, data: [got.elongation_percent], limits: [["limit", l.elongation_limit_percent], ["near", l.elongation_near_percent]], fit: fitOf(e, "elongation_percent", "elongation-limit", l.elongation_limit_percent, "camshaft_set") },
    { key: "spring_mm", help: "band", name: "Spring length and its band", unit: "mm", digits: 1, data: [got.spring_mm, got.low_mm, got.high_mm], limits: [], fit: null },
  ];
  charts.replaceChildren();
  for (const spec of specs) charts.append(chart(spec));
  marks.replaceChildren(...got.marks.map((m) => h("li", {}, `${stamp(m.t * 1000)}: ${m.text}`)));
}

// The fit as the gateway published it, over the time it was made from and on to the limit.
function fitOf(e, key, tag, limit, since) {
  const t = e.trend;
  if (!t || t[key].p50 === null || t[`${key}_per_1000h`].p50 === null) return null;
  const from_h = t.hours - (t.hours_since[since] ?? 0);
  const past = [];
  got.t.forEach((x, i) => {
    const hours = got.hours[i];
    if (hours !== null && hours >= from_h) past.push([x, t[key].p50 + (t[`${key}_per_1000h`].p50 * (hours - t.hours)) / 1000]);
  });
  const found = t.limits.find((x) => x.limit === tag);
  const when = (ymd) => (ymd ? Date.parse(`${ymd}T12:00:00Z`) / 1000 : null);
  const likely = found && when(found.date.p50);
  const pace = likely ? found.hours_to.p50 / (likely - Date.parse(t.ts) / 1000) : 0.8 / H;
  const slow = t[`${key}_per_1000h`].p05;
  return { past, now: Date.parse(t.ts) / 1000, level: t[key], limit, slowest: slow === null ? 0 : (slow * pace) / 1000, reached: found && found.hours_to.p50 === 0,
    early: found && when(found.date.p05), likely, late: found && when(found.date.p95) };
}

// All pictures share one time: it reaches to where the nearest limit is reached at the latest.
function horizon() {
  const e = mine();
  const fits = [fitOf(e, "lag_deg", "lag-limit", 0, "camshaft_set"), fitOf(e, "elongation_percent", "elongation-limit", 0, "camshaft_set")];
  const ends = fits.filter(Boolean).map((f) => f.late || f.likely || f.early).filter(Boolean);
  const end = ends.length ? Math.min(...ends) : got.now;
  return Math.min(Math.max(end, got.now + 60 * D), got.now + AHEAD_MAX) + 20 * D;
}

function chart(spec) {
  const box = h("div", { class: "plot" });
  const known = spec.data[0].filter((v) => v !== null);
  const end = known.length ? `Lowest ${number(Math.min(...known), spec.digits)}, highest ${number(Math.max(...known), spec.digits)}, last ${figure(known[known.length - 1], spec)}.` : "No figures in this time.";
  const reach = spec.fit && spec.fit.reached ? " The limit is reached." : spec.fit && spec.fit.likely ? ` Reaches ${figure(spec.fit.limit, spec)} about ${day(spec.fit.likely * 1000)}${spec.fit.early ? `, earliest (1 in 20) ${day(spec.fit.early * 1000)}` : ""}.` : "";
  const at = h("p", { class: "at", "aria-hidden": "true" });
  const { button, note } = explained(spec.help, `${spec.name}, ${spec.unit}`);
  queueMicrotask(() => plot(spec, box, at, `${spec.name}. ${end}${reach}`));
  return h("figure", {}, h("figcaption", {}, h("h3", {}, button), note, h("span", { class: "words" }, `${end}${reach}`)), box, at, table(spec));
}

const figure = (v, spec) => `${number(v, spec.digits)}${spec.unit === "°" ? "" : " "}${spec.unit}`;

const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

// Figures without a neighbour, which no line shows: a head in bursts has hardly any others by the minute.
function alone(u, i, all) {
  const v = u.data[i];
  return all ? null : v.flatMap((x, k) => (x !== null && (v[k - 1] ?? null) === null && (v[k + 1] ?? null) === null ? [k] : []));
}

function plot(spec, box, at, said) {
  if (!box.isConnected) return;
  const style = { card: ink("--card"), ink: ink("--ink"), faint: ink("--grid"), line: ink("--line"), band: ink("--band"), limit: ink("--limit"), fit: ink("--fit") };
  const from = got.now - SPANS[span][1];
  const to = span === "ahead" ? horizon() : got.now;
  const axis = { stroke: style.ink, grid: { stroke: style.faint, width: 1 }, ticks: { stroke: style.faint, width: 1 }, font: "13px system-ui, sans-serif" };
  const series = spec.data.map((_, i) => ({ label: ["value", "least", "most"][i], stroke: i ? style.limit : style.line, width: i ? 1 : 2, dash: i ? [2, 4] : undefined, points: { show: got.t.length < 60 && !i, size: 4, filter: i ? () => null : alone }, spanGaps: false }));
  const u = new uPlot({
    width: box.clientWidth, height: box.clientWidth < 500 ? 190 : 230, tzDate: (t) => uPlot.tzDate(new Date(t * 1000), "Etc/UTC"),
    cursor: { drag: { x: false, y: false }, sync: { key: "course" } }, legend: { show: false }, padding: [20, null, null, null],
    scales: { x: { time: true, range: () => [from, to] }, y: { range: (_, lo, hi) => reachOf(spec, lo, hi) } },
    axes: [{ ...axis, space: 70, size: 50, values: dates }, { ...axis, size: 58, values: (_, vs) => vs.map((v) => number(v, spec.digits)) }],
    series: [{}, ...series],
    hooks: { drawAxes: [(p) => under(p, spec, style)], draw: [(p) => over(p, spec, style)], setCursor: [(p) => text(at, pointed(p, spec))] },
  }, [got.t, ...spec.data], box);
  u.root.setAttribute("role", "img");
  u.root.setAttribute("aria-label", said);
  plots.push(u);
}

// Day before month in words, so that nobody takes the one for the other; what has not changed is not said again.
function dates(_plot, splits, _axis, _space, step) {
  return splits.map((t, i) => {
    const [date, month, year] = day(t * 1000).split(" ");
    const before = i ? day(splits[i - 1] * 1000).split(" ") : [];
    const newYear = year !== before[2];
    if (step < D) return time(t * 1000).slice(0, 5) + (newYear || date !== before[0] || month !== before[1] ? `\n${date} ${month}` : "");
    if (step >= 360 * D) return year;
    return (step >= 28 * D ? month : `${date} ${month}`) + (newYear ? `\n${year}` : "");
  });
}

// What stands where the finger or the mouse is.
function pointed(p, spec) {
  const i = p.cursor.idx, v = i === null || i === undefined ? null : spec.data[0][i];
  return v === null || v === undefined ? "" : `${stamp(got.t[i] * 1000)}: ${figure(v, spec)}`;
}

// The limits belong in the picture unless they are so far off that the course would be a flat line.
function reachOf(spec, lo, hi) {
  const limit = spec.limits.length ? spec.limits[0][1] : null;
  if (lo === null || lo === undefined) [lo, hi] = limit === null ? [mine().limits.low_mm, mine().limits.high_mm] : [0, limit];
  if (limit !== null) { lo = Math.min(lo, 0); hi = Math.max(hi, limit * 1.18); }
  const room = Math.max((hi - lo) * 0.06, 0.02);
  return [lo - room, hi + room];
}

// The band in force, beneath the curve.
function under(p, spec, style) {
  if (spec.data.length < 3) return;
  const [, low, high] = spec.data, c = p.ctx;
  const there = got.t.map((_, i) => i).filter((i) => low[i] !== null);
  if (there.length < 2) return;
  const corner = (v) => (i) => [p.valToPos(got.t[i], "x", true), p.valToPos(v[i], "y", true)];
  c.save();
  c.fillStyle = style.band;
  c.beginPath();
  [...there.map(corner(high)), ...there.reverse().map(corner(low))].forEach(([x, y], i) => (i ? c.lineTo(x, y) : c.moveTo(x, y)));
  c.fill();
  c.restore();
}

function over(p, spec, style) {
  const c = p.ctx, { left, top, width, height } = p.bbox, px = devicePixelRatio || 1;
  const X = (t) => p.valToPos(t, "x", true), Y = (v) => p.valToPos(v, "y", true);
  c.save();
  c.beginPath(); c.rect(left, top, width, height); c.clip();
  c.font = `${13 * px}px system-ui, sans-serif`;
  c.textAlign = "left";
  c.textBaseline = "alphabetic";
  for (const [name, value] of spec.limits) {
    for (const v of spec.key === "lag_deg" ? [value, -value] : [value]) {
      stroke(c, style.limit, 1.5 * px, name === "limit" ? [] : [7 * px, 5 * px], [[left, Y(v)], [left + width, Y(v)]]);
      written(c, style, `${name} ${number(v, 1)}`, left + 6 * px, Y(v) - 4 * px);
    }
  }
  for (const m of got.marks) stroke(c, style.ink, px, [2 * px, 3 * px], [[X(m.t), top], [X(m.t), top + height]]);
  if (spec.fit) fan(c, spec.fit, X, Y, style, px);
  c.restore();
  numbers(c, got.marks.map((m) => X(m.t)), left, left + width, top, style, px);
}

// The numbers of the work done stand above the picture, where no other words are; of two that would touch, the first.
function numbers(c, at, from, to, top, style, px) {
  let free = from;
  c.font = `${13 * px}px system-ui, sans-serif`;
  c.textAlign = "center";
  c.fillStyle = style.ink;
  at.forEach((x, i) => {
    if (x < free || x > to) return;
    c.fillText(String(i + 1), x, top - 5 * px);
    free = x + 16 * px;
  });
}

function written(c, style, said, x, y) {
  c.strokeStyle = style.card; c.lineWidth = 4; c.lineJoin = "round"; c.strokeText(said, x, y);
  c.fillStyle = style.ink; c.fillText(said, x, y);
}

function fan(c, fit, X, Y, style, px) {
  stroke(c, style.fit, 2 * px, [8 * px, 4 * px], fit.past.map(([t, v]) => [X(t), Y(v)]));
  const { now, level, limit } = fit;
  if (fit.early) {
    const late = fit.late ? [X(fit.late), Y(limit)] : [X(now + 10 * 365 * D), Y(level.p05 + fit.slowest * 10 * 365 * D)];
    c.fillStyle = style.fit; c.globalAlpha = 0.18; c.beginPath();
    [[X(now), Y(level.p95)], [X(fit.early), Y(limit)], late, [X(now), Y(level.p05)]].forEach(([x, y], i) => (i ? c.lineTo(x, y) : c.moveTo(x, y)));
    c.closePath(); c.fill(); c.globalAlpha = 1;
  }
  if (fit.likely) stroke(c, style.fit, 2 * px, [8 * px, 4 * px], [[X(now), Y(level.p50)], [X(fit.likely), Y(limit)]]);
}

function stroke(c, colour, width, dash, points) {
  if (points.length < 2) return;
  c.strokeStyle = colour; c.lineWidth = width; c.setLineDash(dash); c.beginPath();
  points.forEach(([x, y], i) => (i ? c.lineTo(x, y) : c.moveTo(x, y)));
  c.stroke(); c.setLineDash([]);
}

// The same as figures, for who cannot see the picture.
function table(spec) {
  const body = h("tbody", {});
  const el = h("details", { class: "as-table" }, h("summary", {}, "As figures"), h("table", {}, h("caption", { class: "unseen" }, spec.name),
    h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Time, UTC"), h("th", { scope: "col" }, spec.unit))), body));
  el.addEventListener("toggle", () => {
    if (!el.open || body.children.length) return;
    const known = got.t.map((t, i) => [t, spec.data[0][i]]).filter(([, v]) => v !== null);
    const step = Math.max(1, Math.ceil(known.length / 24));
    body.append(...known.filter((_, i) => i % step === 0).map(([t, v]) => h("tr", {}, h("td", {}, stamp(t * 1000)), h("td", {}, number(v, spec.digits + 1)))));
  });
  return el;
}

// Lag over one turn and its orders; renewed with each second's figures.
function oneTurn() {
  const curve = h("div", { class: "plot" });
  const words = h("p", { class: "words" });
  const orders = h("table", { class: "orders" });
  const cams = h("table", { class: "orders" }), camWords = h("p", { class: "words", "data-figure": "cam_loads" }), camShape = h("div", {});
  const a = explained("shape"), b = explained("orders"), d = explained("cam_loads");
  const el = h("section", { class: "turn" }, h("div", {}, h("h3", {}, a.button), a.note, words, curve), h("div", {}, h("h3", {}, b.button), b.note, orders), h("div", {}, h("h3", {}, d.button), d.note, camWords, camShape, cams));
  let u = null, seen = "";
  const update = (e, anew = false) => {
    if (e && el.isConnected) camLoads(e, camWords, camShape, cams);
    if (!e || !el.isConnected || (!anew && seen === String(e.shape_deg))) return;
    seen = String(e.shape_deg);
    const n = e.shape_deg.length;
    text(a.button, e.limits.ratio === 1 ? HELP.shape[0] : `Lag over ${e.limits.ratio} turns, one cycle`);
    if (!n) { text(words, "Comes with the first steady revolutions."); return; }
    const angle = e.shape_deg.map((_, i) => ((i + 0.5) * 360 * e.limits.ratio) / n);
    text(words, `Swing ${number(Math.max(...e.shape_deg) - Math.min(...e.shape_deg), 3)}° about a mean of ${number(e.lag_deg.value, 2)}°.`);
    if (u && !anew) u.setData([angle, e.shape_deg]);
    else u = shapePlot(curve, u, angle, e);
    u.root.setAttribute("aria-label", `Lag over one turn. ${words.textContent}`);
    const most = Math.max(...e.orders_deg, 0.01);
    orders.replaceChildren(h("caption", { class: "unseen" }, "Orders of the lag"), h("tbody", {}, e.orders_deg.map((v, i) => h("tr", {}, h("th", { scope: "row" }, String(i + 1)),
      h("td", {}, s("svg", { viewBox: "0 0 200 14", class: "bar", "aria-hidden": "true" }, s("rect", { x: 0, y: 2, width: ((v / most) * 200).toFixed(1), height: 10 }))), h("td", {}, `${number(v, 3)}°`)))));
  };
  return { el, update };
}

// The shape with its reference (dashed), and a bar for each cylinder: change of its cam's load, with its range.
function camLoads(e, words, shape, table) {
  const c = e.cam_loads;
  if (words.dataset.of === JSON.stringify(c)) return;
  words.dataset.of = JSON.stringify(c);
  text(words, c.text);
  const most = Math.max(0.01, ...c.reference_deg.map(Math.abs), ...c.present_deg.map(Math.abs));
  const line = (v, dash) => s("polyline", { fill: "none", stroke: "currentColor", "stroke-width": 1.5, "stroke-dasharray": dash,
    points: v.map((y, i) => `${((i + 0.5) * 400 / v.length).toFixed(1)},${(50 - (y / most) * 45).toFixed(1)}`).join(" ") });
  shape.replaceChildren(...(c.reference_deg.length ? [s("svg", { viewBox: "0 0 400 100", role: "img", "aria-label": `Lag over one cycle, present, and its reference dashed; scale ±${number(most, 3)}°` },
    line(c.reference_deg, "4 3"), line(c.present_deg, "none"))] : []));
  const x = (v) => 100 + Math.max(-1, Math.min(1, v / 25)) * 95;
  const bar = (v) => s("svg", { viewBox: "0 0 200 14", class: "bar", "aria-hidden": "true" },
    s("rect", { x: Math.min(100, x(v.p50)).toFixed(1), y: 2, width: Math.abs(x(v.p50) - 100).toFixed(1), height: 10 }),
    s("line", { x1: x(v.p05).toFixed(1), x2: x(v.p95).toFixed(1), y1: 7, y2: 7, stroke: "currentColor" }));
  table.replaceChildren(...(c.changes.length ? [h("caption", { class: "unseen" }, "Change of each cam's load"), h("tbody", {}, c.changes.map((v) => h("tr", {},
    h("th", { scope: "row" }, `Cylinder ${v.cylinder}`), h("td", {}, bar(v)), h("td", {}, `${number(v.p50, 0)} % (${number(v.p05, 0)} to ${number(v.p95, 0)})`))))] : []));
}

function shapePlot(box, old, angle, e) {
  if (old) old.destroy();
  const axis = { stroke: ink("--ink"), grid: { stroke: ink("--grid"), width: 1 }, ticks: { stroke: ink("--grid"), width: 1 }, font: "13px system-ui, sans-serif" };
  const u = new uPlot({
    width: box.clientWidth, height: 190, legend: { show: false }, cursor: { drag: { x: false, y: false } },
    scales: { x: { time: false, range: () => [0, 360 * e.limits.ratio] }, y: { range: (_, lo, hi) => [Math.min(lo, -0.05) * 1.1, Math.max(hi, 0.05) * 1.1] } },
    axes: [{ ...axis, values: (_, vs) => vs.map((v) => `${v}°`), incrs: [45, 90, 180] }, { ...axis, size: 58, values: (_, vs) => vs.map((v) => number(v, 2)) }],
    series: [{}, { stroke: ink("--line"), width: 2, points: { show: false } }],
  }, [angle, e.shape_deg], box);
  u.root.setAttribute("role", "img");
  turning = u;
  return u;
}

let settling = 0;
const redraw = () => {
  clearTimeout(settling);
  settling = setTimeout(() => { if (turn && got && turn.el.isConnected) { draw(); turn.update(mine(), true); } }, 150);
};
document.addEventListener("light", redraw);
window.addEventListener("resize", redraw);
