// The spring and the lag, drawn to scale.
import { attr, number, s, text } from "./dom.js";

const W = 640;

function label(x, y, words, anchor = "middle", cls = "") {
  return s("text", { x, y, "text-anchor": anchor, class: cls, text: words });
}

// The pointer of a scale: outside the limits it is a full mark with a sign of exclamation.
function pointer(cls) {
  return s("g", { class: cls }, s("path", { class: "needle" }), s("path", { class: "needle-bang" }));
}

function point(el, x, y, height, past) {
  attr(el, "visibility", x === null ? "hidden" : "visible");
  if (x === null) return;
  attr(el, "data-past", past);
  const half = past ? 17 : 12;
  attr(el.firstChild, "d", `M${x} ${y}l${-half} ${-height}h${2 * half}z`);
  attr(el.lastChild, "d", past ? `M${x - 1.8} ${y - height + 5}h3.6l-.8 ${height * 0.32}h-2zM${x - 1.6} ${y - height * 0.46}h3.2v3.2h-3.2z` : "");
}

// The spring from its seat to its moving end, to scale; below it the same band, enlarged, joined to it by a cone.
export function springPicture() {
  const title = s("title", {});
  const coil = s("polyline", { class: "coil" });
  const end = s("rect", { class: "plate", y: 18, width: 5, height: 54 });
  const band = s("rect", { class: "band", y: 12, height: 66 });
  const free = s("line", { class: "free", y1: 12, y2: 78 });
  const freeText = label(0, 98, "", "end", "small");
  const cone = s("polygon", { class: "cone" });
  const lens = s("g", {});
  const needle = pointer("pointer");
  const el = s("svg", { viewBox: `0 0 ${W} 236`, role: "img", class: "picture" }, title, cone,
    s("rect", { class: "seat", x: 8, y: 12, width: 12, height: 66 }), band, free, freeText, coil, end, lens, needle);
  let drawn = "";
  return {
    el,
    update(e) {
      const l = e.limits, v = e.spring_mm.value;
      const longest = Math.max(l.free_length_mm, l.high_mm) * 1.03;
      const x = (mm) => 20 + (Math.min(mm, longest) / longest) * (W - 40);
      const half = Math.max(l.high_mm - l.required_mm, 0.2);
      const lo = l.required_mm - 3 * half, hi = l.required_mm + 3 * half;
      const z = (mm) => 40 + ((Math.min(Math.max(mm, lo), hi) - lo) / (hi - lo)) * (W - 80);
      const key = [l.low_mm, l.high_mm, l.free_length_mm].join();
      if (key !== drawn) {
        drawn = key;
        attr(band, "x", x(l.low_mm)); attr(band, "width", Math.max(x(l.high_mm) - x(l.low_mm), 1));
        attr(free, "x1", x(l.free_length_mm)); attr(free, "x2", x(l.free_length_mm));
        attr(freeText, "x", W - 6); text(freeText, `free ${number(l.free_length_mm, 1)}`);
        attr(cone, "points", `${x(l.low_mm)},78 ${x(l.high_mm)},78 ${z(l.high_mm)},156 ${z(l.low_mm)},156`);
        lens.replaceChildren(...magnified(l, z, lo, hi));
      }
      const outside = v !== null && (v < l.low_mm || v > l.high_mm);
      coil.setAttribute("points", v === null ? "" : zigzag(20, x(v)));
      attr(end, "visibility", v === null ? "hidden" : "visible");
      attr(end, "x", v === null ? 0 : x(v));
      attr(end.parentNode, "data-past", outside ? "exceeded" : "");
      point(needle, v === null ? null : z(v), 166, 34, outside ? "exceeded" : "");
      const where = v === null ? "not known" : v < l.low_mm ? "below its band" : v > l.high_mm ? "above its band" : "within its band";
      text(title, `Spring length ${v === null ? "" : `${number(v, 1)} mm, `}${where}; band ${number(l.low_mm, 1)} to ${number(l.high_mm, 1)} mm`);
    },
  };
}

function magnified(l, z, lo, hi) {
  const parts = [
    s("rect", { class: "band", x: z(l.low_mm), y: 156, width: z(l.high_mm) - z(l.low_mm), height: 28 }),
    s("line", { class: "rule", x1: z(lo), x2: z(hi), y1: 170, y2: 170 }),
  ];
  for (const mm of [l.low_mm, l.required_mm, l.high_mm]) {
    parts.push(s("line", { class: "rule", x1: z(mm), x2: z(mm), y1: 156, y2: 184 }), label(z(mm), 210, number(mm, 1)));
  }
  const [short, long] = l.tightener === "locked" ? ["shorter", "longer"] : ["tight", "slack"];
  parts.push(label(4, 232, short, "start", "small"), label(W - 4, 232, long, "end", "small"));
  return parts;
}

function zigzag(from, to) {
  const turns = 11, points = [`${from},45`];
  for (let i = 0; i < turns * 2; i++) {
    points.push(`${(from + ((i + 0.5) / (turns * 2)) * (to - from)).toFixed(1)},${i % 2 ? 68 : 22}`);
  }
  points.push(`${to.toFixed(1)},45`);
  return points.join(" ");
}

// Lag on its scale, early to the left and late to the right, warning limit and limit on both sides.
export function lagScale() {
  const title = s("title", {});
  const marks = s("g", {});
  const needle = pointer("pointer");
  const el = s("svg", { viewBox: `0 0 ${W} 236`, role: "img", class: "picture" }, title, marks, needle);
  let drawn = "";
  return {
    el,
    update(e) {
      const l = e.limits, v = e.lag_deg.value, end = l.lag_limit_deg * 1.25;
      const x = (deg) => 40 + ((Math.min(Math.max(deg, -end), end) + end) / (2 * end)) * (W - 80);
      const key = [l.lag_near_deg, l.lag_limit_deg].join();
      if (key !== drawn) {
        drawn = key;
        marks.replaceChildren(...lagMarks(l, x, end));
      }
      const size = v === null ? 0 : Math.abs(v);
      const past = v === null ? "" : size >= l.lag_limit_deg ? "exceeded" : size >= l.lag_near_deg ? "warning" : "";
      attr(el, "data-past", past);
      point(needle, v === null ? null : x(v), 112, 40, past);
      const words = v === null ? "not known" : past === "exceeded" ? "at or beyond its limit" : past ? "above its warning limit" : "within its limits";
      text(title, `Camshaft lag ${v === null ? "" : `${number(v, 2)} degrees, `}${words}`);
    },
  };
}

function lagMarks(l, x, end) {
  const near = l.lag_near_deg, limit = l.lag_limit_deg;
  const zone = (a, b, cls) => s("rect", { class: cls, x: x(a), y: 98, width: x(b) - x(a), height: 28 });
  const parts = [
    zone(-limit, -near, "zone-near"), zone(near, limit, "zone-near"), zone(-end, -limit, "zone-over"),
    zone(limit, end, "zone-over"), s("line", { class: "rule", x1: x(-end), x2: x(end), y1: 112, y2: 112 }),
    label(x(-end), 60, "early", "start", "small"), label(x(end), 60, "late", "end", "small"),
  ];
  for (const deg of [-limit, -near, 0, near, limit]) {
    const long = Math.abs(deg) === limit || deg === 0;
    parts.push(s("line", { class: "rule", x1: x(deg), x2: x(deg), y1: long ? 94 : 98, y2: long ? 132 : 158 }));
    // The warning limits one line lower: beside the limits there is no room for two figures.
    const low = Math.abs(deg) === near;
    parts.push(label(x(deg), low ? 188 : 158, deg === 0 ? "0" : `${number(Math.abs(deg), 1)}°`));
  }
  parts.push(label(x(0), 226, "warning limit, limit on either side", "middle", "small"));
  return parts;
}
