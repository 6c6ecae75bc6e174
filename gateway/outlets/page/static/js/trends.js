// Trends: every series of the history over any time, with limits, work, alarms and the forecast; two periods overlaid.
import { day, h, lay, number, rem, stamp, text, time } from "./dom.js";
import { get, post, saveBlob } from "./api.js";
import { askLogin } from "./login.js";
import { explained } from "./now.js";
import { PHOTOS_MAX, keep, photosOf } from "./photos.js";
import { leave as leaveTurn, oneTurn } from "./turn.js";
import { PRIORITY } from "./words.js";

const H = 3600, D = 86400;
const SPANS = { "6h": ["6 hours", 6 * H], "2d": ["2 days", 2 * D], "30d": ["30 days", 30 * D], "1y": ["1 year", 365 * D], "5y": ["5 years", 1826 * D], ahead: ["with the forecast", 365 * D] };
const RENEW_MS = { "6h": 60000, "2d": 120000 };
const AHEAD_MAX = 4 * 365 * D, SHORTEST = 600, LONGEST = 30 * 365 * D;
// Charts beyond the first three are shown on request.
const CHARTS = { lag: "Camshaft lag", elongation: "Elongation", spring: "Spring length", lost: "Lost motion", slap: "Slap", share: "Tightener's share", speed: "Speed", load: "Load", temperature: "Temperatures" };
let wanted = new Set(["lag", "elongation", "spring"]);
let span = "2d";
let win = null;
let compare = "";
let scale = "limits";
let engine = "";
let present = null;
let asked = 0;
let timer = 0;
let plots = [];
let turn = null;
let got = null;
let other = null;
let root = null;
let ready = null;
// The chart that had the keyboard before all were drawn again.
let again = "";

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
  for (const p of plots) p.u.destroy();
  plots = [];
  leaveTurn();
  turn = null;
}

export function update(_root, body) {
  const first = !present;
  present = body;
  if (first && root) show(root, body);
  else if (turn) turn.update(mine());
}

const mine = () => present.engines.find((e) => e.slug === engine) || present.engines[0];
const nowS = () => { const e = mine(); return Date.parse(e.ts || present.ts) / 1000; };
const ymd = (s) => new Date(s * 1000).toISOString().slice(0, 10);

export async function show(where, body) {
  root = where;
  present = body;
  leave();
  const turnNo = asked;
  if (!body || !body.engines.length) {
    root.replaceChildren(h("h2", {}, "Trends"), h("p", {}, "No data from the gateway yet."));
    present = null;
    return;
  }
  engine = mine().slug;
  await library();
  if (turnNo !== asked) return;
  const spans = h("fieldset", { class: "spans" }, h("legend", {}, "Over"), Object.entries(SPANS).map(([key, [name]]) =>
    h("label", {}, h("input", { type: "radio", name: "span", value: key, checked: key === span, onchange: () => { span = key; win = null; load(); } }), ` ${name}`)));
  const which = body.engines.length > 1
    ? h("p", {}, h("label", {}, "Engine ", h("select", { onchange: (e) => { engine = e.target.value; compare = ""; turn.update(mine(), true); load(); } },
      body.engines.map((e) => h("option", { value: e.slug, selected: e.slug === engine }, e.name))))) : null;
  const date = (id) => h("input", { id, type: "date", required: true, onchange: dated });
  const from = date("trend-from"), to = date("trend-to");
  const press = (label, words, call) => h("button", { type: "button", "aria-label": words, title: words, onclick: call }, label);
  const periods = h("select", { id: "trend-compare", onchange: (e) => choose(e.target.value) });
  const scales = h("select", { id: "trend-scale", onchange: (e) => { scale = e.target.value; draw(); } }, h("option", { value: "limits", selected: scale === "limits" }, "with the limits"), h("option", { value: "figures", selected: scale === "figures" }, "figures only"));
  const tools = h("div", { class: "trend-tools" },
    h("p", {}, h("label", { for: "trend-from" }, "From"), from, h("label", { for: "trend-to" }, "to"), to),
    h("p", {}, press("◀", "Earlier", () => pan(-0.5)), press("▶", "Later", () => pan(0.5)), press("+", "Zoom in", () => zoom(0.5)), press("−", "Zoom out", () => zoom(2))),
    h("p", {}, h("label", { for: "trend-compare" }, "Compare with"), periods), h("p", {}, h("label", { for: "trend-scale" }, "Scale"), scales),
    h("p", {}, press("CSV", "CSV: save the figures shown", saveCsv), press("PNG", "PNG: save the charts shown as a picture", savePng)));
  const chosen = h("fieldset", { class: "spans" }, h("legend", {}, "Charts"), Object.entries(CHARTS).map(([key, name]) =>
    h("label", {}, h("input", { type: "checkbox", name: "chart", value: key, checked: wanted.has(key), onchange: (e) => { if (e.target.checked) wanted.add(key); else wanted.delete(key); draw(); } }), ` ${name}`)));
  const words = h("p", { role: "status", class: "words" });
  const charts = h("div", { class: "charts" });
  const marks = h("ol", { class: "marks" }), alarms = h("ul", { class: "marks" });
  turn = oneTurn();
  const legend = h("details", {}, h("summary", {}, "How to read the charts"), h("ul", { class: "legend" }, [
    "Solid line: measured. A gap: not measured.", "From the line “now” on: the forecast, dashed; nine of ten cases lie within its shade.",
    "Numbers above a chart: work and notes, listed below. Bars at the bottom edge: alarms, listed below.", "Dotted line: the other period.",
    "Drag over a chart to zoom in, Ctrl and the wheel zoom, a double click zooms out. Touch: one finger reads, two fingers zoom and move.",
    "Keyboard, on a chart: arrows read (with Shift: faster), plus and minus zoom, Page Up and Page Down move.",
  ].map((x) => h("li", {}, x))));
  const more = h("details", { class: "trend-more", open: !matchMedia("(max-width: 40rem)").matches }, h("summary", {}, "Dates, comparison, charts"), tools, chosen);
  lay(root, h("h2", {}, "Trends"), which, spans, more, words, charts, legend, h("h3", {}, "Work and notes"), marks, noteForm(), h("h3", {}, "Alarms"), alarms, turn.el);
  root.parts = { words, charts, marks, alarms, from, to, periods, spans };
  turn.update(mine());
  load();
}

// -- which time ----------------------------------------------------------------------------------------------------

const shownWindow = () => win || { from: nowS() - SPANS[span][1], to: nowS() + 60 };

function dated() {
  const { from, to } = root.parts;
  const a = Date.parse(from.value) / 1000, b = Date.parse(to.value) / 1000 + D;
  if (Number.isFinite(a) && Number.isFinite(b) && b > a) move(a, b);
}

function move(from, to) {
  const length = Math.min(Math.max(to - from, SHORTEST), LONGEST);
  const middle = (from + to) / 2;
  win = { from: Math.max(0, middle - length / 2), to: middle + length / 2 };
  for (const radio of root.parts.spans.querySelectorAll("input")) radio.checked = false;
  load();
}

const pan = (share) => { const w = shownWindow(), by = (w.to - w.from) * share; move(w.from + by, w.to + by); };
function zoom(factor, at = null) {
  const w = shownWindow(), about = at ?? (w.from + w.to) / 2;
  move(about - (about - w.from) * factor, about + (w.to - about) * factor);
}

// "before": the period just before the one shown; "work:<time>": before and after that work.
function choose(value) {
  compare = value;
  if (value.startsWith("work:")) {
    const at = Number(value.slice(5)), w = shownWindow(), length = Math.min(Math.max(w.to - w.from, D), Math.max(nowS() - at, D));
    return move(at, at + length);
  }
  load();
}

async function load() {
  clearTimeout(timer);
  const turnNo = ++asked;
  const e = mine(), w = shownWindow(), now = nowS();
  const { words, charts } = root.parts;
  charts.dataset.busy = "true";
  try {
    const points = Math.min(2000, Math.max(200, Math.round(root.clientWidth)));
    const ask = (a, b) => get("/api/history", { engine: e.slug, from: a, to: b, points });
    const end = Math.max(Math.min(w.to, now + 60), w.from + 60), length = end - w.from;
    const [body, before] = await Promise.all([ask(w.from, end), compare ? ask(Math.max(0, w.from - length), w.from) : null]);
    if (turnNo !== asked) return;
    got = { ...body, now, from: w.from, to: w.to };
    other = before && { ...before, shift: length };
    root.parts.from.value = ymd(w.from);
    root.parts.to.value = ymd(w.to - 1);
    draw();
    if (!win && RENEW_MS[span]) timer = setTimeout(load, RENEW_MS[span]);
  } catch (problem) {
    if (turnNo === asked) text(words, problem.message);
  }
  delete charts.dataset.busy;
}

// -- what is drawn -------------------------------------------------------------------------------------------------

// One chart: tables [times, column, …], a series for each column, limits, forecast.
function specs(e) {
  const l = e.limits, column = (key) => [got.t, got[key]];
  const line = (label, more = {}) => ({ label, stroke: "--line", width: 2, ...more });
  const thin = (label, more = {}) => ({ label, stroke: "--limit", width: 1, dash: [4, 4], ...more });
  const daily = (key, order = [0, 1, 2]) => [got.daily.t, ...order.map((k) => got.daily[key].map((r) => r[k]))];
  const made = {
    lag: { help: "lag_deg", unit: "°", digits: 2, keys: ["lag_deg"], tables: [column("lag_deg")], series: [line("lag")],
      limits: [["limit", l.lag_limit_deg], ["warning limit", l.lag_near_deg]], both: true, fit: fitOf(e, "lag_deg", "lag-limit", l.lag_limit_deg, "camshaft_set") },
    elongation: { help: "by_lag", title: "Chain elongation, by each estimate", unit: "%", digits: 2, keys: ["elongation_percent"],
      tables: [[got.t, got.tightener_low_percent, got.tightener_high_percent, got.elongation_percent], daily("elongation_percent"), [got.by_hand.map((x) => x[0]), got.by_hand.map((x) => x[1])]], main: 2,
      series: [thin("by the tightener, least", { stroke: "--band-edge" }), thin("by the tightener, most", { stroke: "--band-edge" }), line("by the lag"),
        thin("all together, 5 %", { stroke: "--fit", dash: [2, 4] }), thin("all together", { stroke: "--fit", dash: undefined }), thin("all together, 95 %", { stroke: "--fit", dash: [2, 4] }),
        { label: "links by hand", stroke: "--ink", width: 0, points: true }],
      bands: [[2, 1, "--band"]], limits: [["limit", l.elongation_limit_percent], ["warning limit", l.elongation_near_percent]], fit: fitOf(e, "elongation_percent", "elongation-limit", l.elongation_limit_percent, "camshaft_set") },
    spring: { help: "band", unit: "mm", digits: 1, keys: ["spring_mm", "low_mm", "high_mm"], tables: [[got.t, got.low_mm, got.high_mm, got.spring_mm]], main: 2,
      series: [thin("band, lower end", { step: true, dash: undefined }), thin("band, upper end", { step: true, dash: undefined }), line("length")], bands: [[2, 1, "--band"]], limits: [] },
    lost: { help: "lost_motion_deg", unit: "°", digits: 2, keys: [], tables: [daily("lost_motion_deg", [0, 2, 1])], series: [thin("5 %"), thin("95 %"), line("lost motion")], main: 2, bands: [[2, 1, "--band"]], limits: [] },
    slap: { help: "slap_mm", unit: "mm", digits: 2, keys: ["slap_mm"], tables: [column("slap_mm")], series: [line("slap")], limits: [["limit", l.slap_mm]] },
    share: { help: "tension_n", unit: "N", digits: 0, keys: ["tension_n"], tables: [column("tension_n")], series: [line("share")], limits: [] },
    speed: { help: "rpm", unit: "rpm", digits: 1, keys: ["rpm"], tables: [column("rpm")], series: [line("speed")], limits: [] },
    load: { help: "load_percent", unit: "%", digits: 0, keys: ["load_percent"], tables: [column("load_percent")], series: [line("load")], limits: [] },
    temperature: { help: "casing_c", title: "Temperatures, °C", unit: "°C", digits: 1, keys: ["casing_c", "frame_c"], tables: [[got.t, got.casing_c, got.frame_c]], series: [line("chain casing"), line("engine frame", { stroke: "--other", dash: [8, 3] })], limits: [] },
  };
  return Object.keys(CHARTS).filter((key) => wanted.has(key)).map((key) => ({ key, name: CHARTS[key], main: 0, ...made[key] }));
}

function draw() {
  if (!got || !root.parts) return;
  const e = mine(), { words, charts, marks, alarms, periods } = root.parts;
  for (const p of plots) p.u.destroy();
  plots = [];
  const n = got.t.length;
  text(words, n ? `${e.name}. ${got.grade === "minutes" ? "Means of a minute" : "Ten-minute medians of steady running"}, ${stamp(got.t[0] * 1000)} to ${stamp(got.t[n - 1] * 1000)} UTC.`
    : `${e.name}. Nothing was recorded in this time.`);
  charts.replaceChildren(...specs(e).map(chart));
  marks.replaceChildren(...got.marks.map((m) => h("li", {}, `${stamp(m.t * 1000)}: ${m.text}`, photosOf(m.photos, stamp(m.t * 1000)))));
  if (!got.marks.length) marks.replaceChildren(h("li", { class: "none" }, "None in this time."));
  alarms.replaceChildren(...(got.alarms.length ? got.alarms.map((a) => h("li", {}, `${PRIORITY[a.priority] || a.priority}: ${a.title}, ${stamp(a.t * 1000)} to ${a.end === null ? "now" : stamp(a.end * 1000)}`)) : [h("li", { class: "none" }, "None in this time.")]));
  const works = got.marks.filter((m) => m.kind !== "note");
  const options = [["", "nothing"], ["before", "the period before"], ...works.map((m) => [`work:${m.t}`, `before ${m.kind.replaceAll("-", " ")}, ${day(m.t * 1000)}`])];
  if (compare.startsWith("work:") && !options.some(([key]) => key === compare)) options.push([compare, `before ${day(Number(compare.slice(5)) * 1000)}`]);
  periods.replaceChildren(...options.map(([key, name]) => h("option", { value: key, selected: key === compare }, name)));
}

// The fit as the gateway published it, over the time it was made from and on to the limit.
function fitOf(e, key, tag, limit, since) {
  const t = e.trend;
  if (!t || t[key].p50 === null || t[`${key}_per_1000h`].p50 === null) return null;
  const found = t.limits.find((x) => x.limit === tag);
  const when = (date) => (date ? Date.parse(`${date}T12:00:00Z`) / 1000 : null);
  const likely = found && when(found.date.p50);
  const pace = likely ? found.hours_to.p50 / (likely - Date.parse(t.ts) / 1000) : 0.8 / H;
  const slow = t[`${key}_per_1000h`].p05;
  return { now: Date.parse(t.ts) / 1000, level: t[key], limit, slowest: slow === null ? 0 : (slow * pace) / 1000, reached: found && found.hours_to.p50 === 0,
    early: found && when(found.date.p05), likely, late: found && when(found.date.p95) };
}

// With the forecast all charts reach to where the nearest limit is reached at the latest.
function horizon() {
  if (win) return got.to;
  if (span !== "ahead") return got.now;
  const e = mine();
  const fits = [fitOf(e, "lag_deg", "lag-limit", 0, "camshaft_set"), fitOf(e, "elongation_percent", "elongation-limit", 0, "camshaft_set")];
  const ends = fits.filter(Boolean).map((f) => f.late || f.likely || f.early).filter(Boolean);
  const end = ends.length ? Math.min(...ends) : got.now;
  return Math.min(Math.max(end, got.now + 60 * D), got.now + AHEAD_MAX) + 20 * D;
}

function chart(spec) {
  const box = h("div", { class: "plot", tabindex: "0", role: "group" });
  const main = spec.tables[0][spec.main + 1];
  const known = main.filter((v) => v !== null);
  const ends = known.length ? `Lowest ${number(Math.min(...known), spec.digits)}, highest ${number(Math.max(...known), spec.digits)}, last ${figure(known[known.length - 1], spec)}.` : "No figures in this time.";
  const f = spec.fit;
  const reach = f && f.reached ? " The limit is reached." : f && f.likely ? ` Reaches ${figure(f.limit, spec)} about ${day(f.likely * 1000)}${f.early ? `, earliest (1 in 20) ${day(f.early * 1000)}` : ""}.` : "";
  const at = h("p", { class: "at", role: "status" });
  const { button, note } = explained(spec.help, spec.title || `${spec.name}, ${spec.unit}`);
  queueMicrotask(() => plot(spec, box, at, `${spec.name}. ${ends}${reach}`));
  return h("figure", { "data-chart": spec.key }, h("figcaption", {}, h("h3", {}, button), note, h("span", { class: "words" }, `${ends}${reach}`), names(spec)), box, at, table(spec, main));
}

// What each line of a chart is, where there are several.
function names(spec) {
  if (spec.series.length < 2 && !other) return null;
  const all = [...spec.series.map((x) => [x.label, x]), ...(other && spec.keys.length ? [["the other period", { stroke: "--other" }]] : [])];
  return h("ul", { class: "lines" }, all.map(([label, x]) => h("li", { "data-ink": x.stroke.slice(2), "data-dashed": String(Boolean(x.dash) || x.stroke === "--other") }, label)));
}

const figure = (v, spec) => `${number(v, spec.digits)}${spec.unit === "°" ? "" : " "}${spec.unit}`;
const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

// Figures without a neighbour, which no line shows: a head in bursts has hardly any others by the minute.
function alone(u, i, all) {
  const v = u.data[i];
  return all ? null : v.flatMap((x, k) => (x !== null && x !== undefined && (v[k - 1] ?? null) === null && (v[k + 1] ?? null) === null ? [k] : []));
}

function plot(spec, box, at, words) {
  if (!box.isConnected) return;
  const style = Object.fromEntries(["card", "ink", "grid", "line", "band", "limit", "fit", "other", "alarm", "warning", "caution"].map((k) => [k, ink(`--${k}`)]));
  const axis = { stroke: style.ink, grid: { stroke: style.grid, width: 1 }, ticks: { stroke: style.grid, width: 1 }, font: `${rem(0.82)}px system-ui, sans-serif` };
  const tables = spec.tables.filter((x) => x[0].length || x === spec.tables[0]);
  const series = spec.tables.flatMap((x) => (tables.includes(x) ? x.slice(1).map(() => true) : x.slice(1).map(() => false))).map((keep, i) => keep && spec.series[i]).filter(Boolean);
  if (other && spec.keys.length) {
    tables.push([other.t.map((t) => t + other.shift), other[spec.keys[0]]]);
    series.push({ label: "the other period", stroke: "--other", width: 2, dash: [2, 4] });
  }
  const data = tables.length > 1 ? uPlot.join(tables) : tables[0];
  const from = got.from, to = horizon();
  const few = got.t.length < 60;
  const lines = series.map((x) => ({ label: x.label, stroke: ink(x.stroke), width: x.width, dash: x.dash, spanGaps: false, paths: x.step ? uPlot.paths.stepped({ align: 1 }) : x.points ? () => null : undefined,
    points: { show: Boolean(x.points) || (x.width > 1 && few), size: x.points ? 9 : 4, filter: x.points || x.width < 2 ? undefined : alone } }));
  for (const x of lines) if (!x.points.filter) delete x.points.filter;
  const u = new uPlot({
    width: box.clientWidth, height: rem(box.clientWidth < 500 ? 12 : 14.5), tzDate: (t) => uPlot.tzDate(new Date(t * 1000), "Etc/UTC"),
    cursor: { drag: { x: true, y: false, setScale: false }, sync: { key: "trends", setSeries: false } }, legend: { show: false }, padding: [20, null, null, null],
    scales: { x: { time: true, range: () => [from, to] }, y: { range: (_, lo, hi) => reachOf(spec, lo, hi) } },
    axes: [{ ...axis, space: rem(4.4), size: rem(3.1), values: dates }, { ...axis, size: rem(3.6), space: rem(1.9), values: (_, vs) => vs.map((v) => number(v, spec.digits)) }],
    series: [{}, ...lines], bands: lines.length >= 3 ? (spec.bands || []).map(([a, b, colour]) => ({ series: [a, b], fill: ink(colour), dir: -1 })) : [],
    hooks: { drawAxes: [(p) => under(p, spec, style)], draw: [(p) => over(p, spec, style)], setCursor: [(p) => text(at, pointed(p, spec))],
      setSelect: [(p) => { if (p.select.width > 8) move(p.posToVal(p.select.left, "x"), p.posToVal(p.select.left + p.select.width, "x")); }] },
  }, data, box);
  u.root.setAttribute("role", "img");
  u.root.setAttribute("aria-label", words);
  box.setAttribute("aria-label", `${spec.name}: arrow keys read, plus and minus zoom`);
  reading(box, u);
  plots.push({ u, spec, words });
}

// Reading and moving by wheel, keys and fingers. One finger that moves up or down still scrolls the page.
function reading(box, u) {
  const point = (i) => u.setCursor({ left: u.valToPos(u.data[0][i], "x"), top: u.over.clientHeight / 2 });
  box.addEventListener("keydown", (e) => {
    const n = u.data[0].length, i = u.cursor.idx ?? n, step = e.shiftKey ? Math.ceil(n / 20) : 1;
    const keys = { ArrowLeft: () => point(Math.max(0, i - step)), ArrowRight: () => point(Math.min(n - 1, i + step)), Home: () => point(0), End: () => point(n - 1),
      "+": () => zoom(0.5), "-": () => zoom(2), PageUp: () => pan(-0.5), PageDown: () => pan(0.5) };
    if (!keys[e.key] || !n) return;
    e.preventDefault();
    keys[e.key]();
    if (!e.key.startsWith("A") && e.key !== "Home" && e.key !== "End") again = box.parentNode.dataset.chart;
  });
  u.over.addEventListener("dblclick", () => zoom(2));
  u.over.addEventListener("wheel", (e) => {
    // Without Ctrl, and with the chart not chosen, the wheel scrolls the page.
    if (!e.ctrlKey && document.activeElement !== box) return;
    e.preventDefault();
    if (e.shiftKey) pan(Math.sign(e.deltaY || e.deltaX) * 0.2);
    else zoom(e.deltaY > 0 ? 1.5 : 1 / 1.5, u.posToVal(e.offsetX, "x"));
  }, { passive: false });
  const held = new Map();
  let start = null;
  const left = (x) => x - u.over.getBoundingClientRect().left;
  u.over.addEventListener("pointerdown", (e) => {
    if (e.pointerType !== "touch") return;
    held.set(e.pointerId, e.clientX);
    if (held.size === 2) start = [...held.values()].map((x) => u.posToVal(left(x), "x")).sort((a, b) => a - b);
    else u.setCursor({ left: left(e.clientX), top: u.over.clientHeight / 2 });
  });
  u.over.addEventListener("pointermove", (e) => {
    if (!held.has(e.pointerId)) return;
    held.set(e.pointerId, e.clientX);
    if (held.size === 1) u.setCursor({ left: left(e.clientX), top: u.over.clientHeight / 2 });
  });
  const lift = (e) => {
    if (!held.has(e.pointerId)) return;
    if (held.size === 2 && start) {
      // What lay under the two fingers at first lies under them at the end.
      const [a, b] = [...held.values()].map(left).sort((x, y) => x - y);
      const perPixel = (start[1] - start[0]) / Math.max(b - a, 20), from = start[0] - a * perPixel;
      start = null;
      held.clear();
      move(from, from + u.over.clientWidth * perPixel);
      return;
    }
    held.delete(e.pointerId);
  };
  u.over.addEventListener("pointerup", lift);
  u.over.addEventListener("pointercancel", (e) => held.delete(e.pointerId));
  if (again === box.parentNode.dataset.chart) { again = ""; box.focus({ preventScroll: true }); }
}

// Day before month in words, so that nobody takes the one for the other; what has not changed is not repeated.
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

// What stands where the finger, the mouse or the arrow keys are: each line of the chart, and alarms at that time.
function pointed(p, spec) {
  const i = p.cursor.idx;
  if (i === null || i === undefined) return "";
  const t = p.data[0][i];
  root.parts.at = t;
  const parts = p.series.slice(1).flatMap((x, k) => {
    const v = nearest(p.data, k + 1, i);
    return v === null ? [] : [p.series.length > 2 ? `${x.label} ${figure(v, spec)}` : figure(v, spec)];
  });
  const alarms = got.alarms.filter((a) => a.t <= t && (a.end === null || a.end >= t)).map((a) => a.title);
  return parts.length ? `${stamp(t * 1000)}: ${parts.join(", ")}${alarms.length ? `; ${alarms.join(", ")}` : ""}` : "";
}

// A line that has no figure at this very time but others do: the last one before it, not over a gap.
function nearest(data, k, i) {
  for (let j = i; j >= Math.max(0, i - 3); j--) if (data[k][j] !== undefined) return data[k][j];
  return null;
}

// The limits belong in the picture, and zero; or the figures alone fill it.
function reachOf(spec, lo, hi) {
  const limit = spec.limits.length ? spec.limits[0][1] : null;
  if (lo === null || lo === undefined) [lo, hi] = limit === null ? (spec.key === "spring" ? [mine().limits.low_mm, mine().limits.high_mm] : [0, 1]) : [0, limit];
  if (limit !== null && scale === "limits") { lo = Math.min(lo, 0); hi = Math.max(hi, limit * 1.18); }
  const room = Math.max((hi - lo) * 0.06, 10 ** -spec.digits);
  return [lo - room, hi + room];
}

// Beneath the lines: the time that is still to come.
function under(p, spec, style) {
  const c = p.ctx, { left, top, width, height } = p.bbox, x = p.valToPos(got.now, "x", true);
  if (x >= left + width - 2 || x < left) return;
  c.save();
  c.fillStyle = style.grid; c.globalAlpha = 0.35;
  c.fillRect(x, top, left + width - x, height);
  c.restore();
}

function over(p, spec, style) {
  const c = p.ctx, { left, top, width, height } = p.bbox, px = devicePixelRatio || 1;
  const X = (t) => p.valToPos(t, "x", true), Y = (v) => p.valToPos(v, "y", true);
  c.save();
  c.beginPath(); c.rect(left, top, width, height); c.clip();
  c.font = `${rem(0.82) * px}px system-ui, sans-serif`;
  c.textAlign = "left";
  c.textBaseline = "alphabetic";
  for (const [name, value] of spec.limits) {
    for (const v of spec.both ? [value, -value] : [value]) {
      stroke(c, style.limit, 1.5 * px, name === "limit" ? [] : [7 * px, 5 * px], [[left, Y(v)], [left + width, Y(v)]]);
      written(c, style, `${name} ${number(v, 1)}`, left + 6 * px, Y(v) - 4 * px);
    }
  }
  for (const m of got.marks) stroke(c, style.ink, px, [2 * px, 3 * px], [[X(m.t), top], [X(m.t), top + height]]);
  const now = X(got.now);
  if (now < left + width - 2) {
    stroke(c, style.ink, 1.5 * px, [], [[now, top], [now, top + height]]);
    written(c, style, "now", now + 5 * px, top + 14 * px);
  }
  if (spec.fit && span === "ahead" && !win) fan(c, spec.fit, X, Y, style, px);
  // Alarms at the bottom edge; the graver the higher, so that colour is not the only sign.
  const sizes = { "emergency-alarm": [10, "alarm"], alarm: [10, "alarm"], warning: [7, "warning"], caution: [4, "caution"] };
  for (const a of got.alarms) {
    const [high, colour] = sizes[a.priority] || sizes.caution;
    const x = X(a.t), end = X(a.end ?? got.now);
    c.fillStyle = style[colour]; c.strokeStyle = style.ink; c.lineWidth = px;
    c.fillRect(x, top + height - high * px, Math.max(end - x, 3 * px), high * px);
    c.strokeRect(x, top + height - high * px, Math.max(end - x, 3 * px), high * px);
  }
  c.restore();
  numbers(c, got.marks.map((m) => X(m.t)), left, left + width, top, style, px);
}

// The numbers of the work done stand above the picture, where no other words are; of two that would touch, the first.
function numbers(c, at, from, to, top, style, px) {
  let free = from;
  c.font = `${rem(0.82) * px}px system-ui, sans-serif`;
  c.textAlign = "center";
  c.fillStyle = style.ink;
  at.forEach((x, i) => {
    if (x < free || x > to) return;
    c.fillText(String(i + 1), x, top - 5 * px);
    free = x + rem(1) * px;
  });
}

function written(c, style, words, x, y) {
  c.strokeStyle = style.card; c.lineWidth = 4; c.lineJoin = "round"; c.strokeText(words, x, y);
  c.fillStyle = style.ink; c.fillText(words, x, y);
}

function fan(c, fit, X, Y, style, px) {
  const { now, level, limit } = fit;
  if (fit.early) {
    const late = fit.late ? [X(fit.late), Y(limit)] : [X(now + 10 * 365 * D), Y(level.p05 + fit.slowest * 10 * 365 * D)];
    c.fillStyle = style.fit; c.globalAlpha = 0.22; c.beginPath();
    [[X(now), Y(level.p95)], [X(fit.early), Y(limit)], late, [X(now), Y(level.p05)]].forEach(([x, y], i) => (i ? c.lineTo(x, y) : c.moveTo(x, y)));
    c.closePath(); c.fill(); c.globalAlpha = 1;
  }
  if (fit.likely) stroke(c, style.fit, 2.5 * px, [9 * px, 5 * px], [[X(now), Y(level.p50)], [X(fit.likely), Y(limit)]]);
}

function stroke(c, colour, width, dash, points) {
  if (points.length < 2) return;
  c.strokeStyle = colour; c.lineWidth = width; c.setLineDash(dash); c.beginPath();
  points.forEach(([x, y], i) => (i ? c.lineTo(x, y) : c.moveTo(x, y)));
  c.stroke(); c.setLineDash([]);
}

// The same as figures, for who cannot see the picture.
function table(spec, main) {
  const body = h("tbody", {});
  const el = h("details", { class: "as-table" }, h("summary", {}, "As figures"), h("table", {}, h("caption", { class: "unseen" }, spec.name),
    h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Time, UTC"), h("th", { scope: "col" }, spec.unit))), body));
  el.addEventListener("toggle", () => {
    if (!el.open || body.children.length) return;
    const known = spec.tables[0][0].map((t, i) => [t, main[i]]).filter(([, v]) => v !== null);
    const step = Math.max(1, Math.ceil(known.length / 24));
    body.append(...known.filter((_, i) => i % step === 0).map(([t, v]) => h("tr", {}, h("td", {}, stamp(t * 1000)), h("td", {}, number(v, spec.digits + 1)))));
  });
  return el;
}

// -- taken away ----------------------------------------------------------------------------------------------------

const COLUMNS = ["hours", "lag_deg", "lag_p2p_deg", "elongation_percent", "tightener_low_percent", "tightener_high_percent", "spring_mm", "low_mm", "high_mm", "slap_mm", "tension_n", "rpm", "load_percent", "casing_c", "frame_c"];
const fileName = (end) => `trends-${engine}-${ymd(got.from)}-to-${ymd(got.to - 1)}.${end}`;

// The figures of the time shown; with two periods the other one follows, with its own times.
function saveCsv() {
  if (!got) return;
  const rows = (x, name) => x.t.map((t, i) => [name, new Date(t * 1000).toISOString(), ...COLUMNS.map((key) => x[key][i] ?? "")].join(","));
  const lines = [["period", "time_utc", ...COLUMNS].join(","), ...rows(got, "shown"), ...(other ? rows(other, "other") : [])];
  saveBlob(new Blob([`${lines.join("\r\n")}\r\n`], { type: "text/csv" }), fileName("csv"));
}

// The charts one below the other, with ship, engine and time.
function savePng() {
  if (!plots.length) return;
  const px = devicePixelRatio || 1, pad = 16 * px, line = 26 * px, ctxs = plots.map((p) => p.u.ctx.canvas);
  const picture = document.createElement("canvas"), c = picture.getContext("2d");
  picture.width = Math.max(...ctxs.map((x) => x.width)) + 2 * pad;
  picture.height = ctxs.reduce((sum, x) => sum + x.height + line, 0) + 3 * line;
  c.fillStyle = ink("--card"); c.fillRect(0, 0, picture.width, picture.height);
  c.fillStyle = ink("--ink"); c.font = `${15 * px}px system-ui, sans-serif`;
  c.fillText(`${present.vessel}, ${mine().name}: ${stamp(got.from * 1000)} to ${stamp(got.to * 1000)} UTC`, pad, line, picture.width - 2 * pad);
  let y = 1.5 * line;
  plots.forEach((p, i) => {
    c.fillText(p.words, pad, y + line * 0.7, picture.width - 2 * pad);
    c.drawImage(ctxs[i], pad, y + line);
    y += ctxs[i].height + line;
  });
  picture.toBlob((blob) => saveBlob(blob, fileName("png")), "image/png");
}

// A line of text at a time: at the place that was last read in a chart, or now.
function noteForm() {
  const what = h("input", { id: "note-text", maxlength: 500, autocomplete: "off", required: true });
  const when = h("input", { id: "note-at", type: "datetime-local", "aria-describedby": "note-utc" });
  const photos = h("input", { id: "note-photos", type: "file", accept: "image/*", multiple: true });
  const why = h("span", { class: "why", role: "status" });
  const add = h("button", { type: "submit" }, "Add");
  const send = async () => {
    const at = when.value ? Date.parse(`${when.value}Z`) / 1000 : null;
    const entry = { kind: "note", note: what.value.trim() };
    if (at !== null) {
      entry.utc_s = at;
      const hours = hoursAt(at);
      if (hours !== null) entry.hours = hours;
    }
    add.disabled = true;
    try {
      if (photos.files.length) {
        text(why, "The photos are being sent …");
        entry.photos = await keep([...photos.files]);
      }
      await post("/api/book", { engine: mine().slug, entry });
      text(why, "Noted.");
      what.value = "";
      photos.value = "";
      load();
    } catch (e) {
      text(why, e.message);
      if (e.status === 401) askLogin(e.message, send);
    }
    add.disabled = false;
  };
  const el = h("details", { class: "book" }, h("summary", {}, "Add a note"), h("form", { class: "filter", onsubmit: (e) => { e.preventDefault(); send(); } },
    h("label", { for: "note-text" }, "Note"), what, h("label", { for: "note-at", id: "note-utc" }, "At, UTC (empty: now)"), when,
    h("label", { for: "note-photos" }, `Photos (at most ${PHOTOS_MAX})`), photos, add, why));
  el.addEventListener("toggle", () => {
    if (el.open && root.parts.at) when.value = new Date(root.parts.at * 1000).toISOString().slice(0, 16);
  });
  return el;
}

// Running hours at a time, from the figures shown.
function hoursAt(t) {
  let best = null;
  got.t.forEach((x, i) => { if (got.hours[i] !== null && (best === null || Math.abs(x - t) < Math.abs(got.t[best] - t))) best = i; });
  return best === null || Math.abs(got.t[best] - t) > 2 * D ? null : got.hours[best];
}

let settling = 0;
const drawAgain = () => { if (turn && got && turn.el.isConnected) { draw(); turn.update(mine(), true); } };
const redraw = () => {
  clearTimeout(settling);
  settling = setTimeout(drawAgain, 150);
};
document.addEventListener("light", redraw);
window.addEventListener("resize", redraw);
for (const e of ["beforeprint", "afterprint"]) window.addEventListener(e, drawAgain);
