// The lag over one turn of the crank: its shape, its orders, and the load of each cam against its own past.
import { h, number, rem, s, text } from "./dom.js";
import { explained } from "./now.js";
import { HELP } from "./words.js";

const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
let turning = null;

export function leave() {
  if (turning) turning.destroy();
  turning = null;
}

// Lag over one turn and its orders; renewed with each second's figures.
export function oneTurn() {
  const curve = h("div", { class: "plot" });
  const words = h("p", { class: "words" });
  const orders = h("table", { class: "orders" });
  const cams = h("table", { class: "orders" }), camWords = h("p", { class: "words", "data-figure": "cam_loads" }), camShape = h("div", {});
  const a = explained("shape"), b = explained("orders"), d = explained("cam_loads");
  const el = h("section", { class: "turn" }, h("div", {}, h("h3", {}, a.button), a.note, words, curve), h("div", {}, h("h3", {}, b.button), b.note, orders), h("div", {}, h("h3", {}, d.button), d.note, camWords, camShape, cams));
  let u = null, seen = "";
  const update = (e, again = false) => {
    if (e && el.isConnected) camLoads(e, camWords, camShape, cams);
    if (!e || !el.isConnected || (!again && seen === String(e.shape_deg))) return;
    seen = String(e.shape_deg);
    const n = e.shape_deg.length;
    text(a.button, e.limits.ratio === 1 ? HELP.shape[0] : `Lag over ${e.limits.ratio} turns, one cycle`);
    if (!n) { text(words, "Comes with the first steady revolutions."); return; }
    const angle = e.shape_deg.map((_, i) => ((i + 0.5) * 360 * e.limits.ratio) / n);
    text(words, `Variation ${number(Math.max(...e.shape_deg) - Math.min(...e.shape_deg), 3)}° about a mean of ${number(e.lag_deg.value, 2)}°.`);
    if (u && !again) u.setData([angle, e.shape_deg]);
    else u = shapePlot(curve, u, angle, e);
    u.root.setAttribute("aria-label", `Lag over one turn. ${words.textContent}`);
    const own = ordersOf(e.cam_loads.reference_deg, e.limits.ratio, e.orders_deg.length);
    const most = Math.max(...e.orders_deg, ...own, 0.01);
    const past = (v) => (v === undefined ? null : s("line", { class: "own-past", x1: (v / most) * 200, x2: (v / most) * 200, y1: 0, y2: 14 }));
    orders.replaceChildren(h("caption", { class: "unseen" }, "Orders of the lag"), h("tbody", {}, e.orders_deg.map((v, i) => h("tr", {}, h("th", { scope: "row" }, String(i + 1)),
      h("td", {}, s("svg", { viewBox: "0 0 200 14", class: "bar", "aria-hidden": "true" }, s("rect", { x: 0, y: 2, width: ((v / most) * 200).toFixed(1), height: 10 }), past(own[i]))), h("td", {}, `${number(v, 3)}°`)))));
  };
  return { el, update };
}

// The shape with its reference (dashed), and a bar for each cylinder: change of its cam's load, with its range.
function camLoads(e, words, shape, table) {
  const c = e.cam_loads;
  if (words.dataset.of === JSON.stringify(c)) return;
  words.dataset.of = JSON.stringify(c);
  text(words, c.text);
  words.parentNode.hidden = !c.text;
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
  const axis = { stroke: ink("--ink"), grid: { stroke: ink("--grid"), width: 1 }, ticks: { stroke: ink("--grid"), width: 1 }, font: `${rem(0.82)}px system-ui, sans-serif` };
  const u = new uPlot({
    width: box.clientWidth, height: rem(12), legend: { show: false }, cursor: { drag: { x: false, y: false } },
    scales: { x: { time: false, range: () => [0, 360 * e.limits.ratio] }, y: { range: (_, lo, hi) => [Math.min(lo, -0.05) * 1.1, Math.max(hi, 0.05) * 1.1] } },
    axes: [{ ...axis, values: (_, vs) => vs.map((v) => `${v}°`), incrs: [45, 90, 180] }, { ...axis, size: rem(3.6), space: rem(1.9), values: (_, vs) => vs.map((v) => number(v, 2)) }],
    series: [{}, { stroke: ink("--line"), width: 2, points: { show: false } }],
  }, [angle, e.shape_deg], box);
  u.root.setAttribute("role", "img");
  turning = u;
  return u;
}

// Amplitudes of the first orders of a shape over one cycle of `ratio` turns; empty where there is none.
function ordersOf(shape, ratio, count) {
  const n = shape.length;
  if (!n) return [];
  return Array.from({ length: count }, (_, k) => {
    const w = (2 * Math.PI * (k + 1) * ratio) / n;
    const re = shape.reduce((sum, v, i) => sum + v * Math.cos(w * i), 0), im = shape.reduce((sum, v, i) => sum + v * Math.sin(w * i), 0);
    return (2 / n) * Math.hypot(re, im);
  });
}
