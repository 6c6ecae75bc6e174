// The spring and the lag, drawn to scale.
import { attr, number, s, text } from "./dom.js";

const W = 640;

function label(x, y, said, anchor = "middle", cls = "") {
  return s("text", { x, y, "text-anchor": anchor, class: cls, text: said });
}

// The spring from its seat to its moving end, to scale; below it the same band, enlarged, joined to it by a cone.
export function springPicture() {
  const title = s("title", {});
  const coil = s("polyline", { class: "coil" });
  const end = s("rect", { class: "plate", y: 18, width: 9, height: 54 });
  const band = s("rect", { class: "band", y: 12, height: 66 });
  const free = s("line", { class: "free", y1: 12, y2: 78 });
  const freeText = label(0, 96, "", "end", "small");
  const cone = s("polygon", { class: "cone" });
  const lens = s("g", {});
  const needle = s("path", { class: "needle" });
  const el = s("svg", { viewBox: `0 0 ${W} 184`, role: "img", class: "picture" }, title, cone,
    s("rect", { class: "seat", x: 8, y: 12, width: 12, height: 66 }), band, free, freeText, coil, end, lens, needle);
  let drawn = "";
  return {
    el,
    update(e) {
      const l = e.limits, v = e.spring_mm.value;
      const x = (mm) => 20 + (mm / (l.free_length_mm * 1.04)) * (W - 40);
      const half = Math.max(l.high_mm - l.required_mm, 0.2);
      const lo = l.required_mm - 3 * half, hi = l.required_mm + 3 * half;
      const z = (mm) => 40 + ((Math.min(Math.max(mm, lo), hi) - lo) / (hi - lo)) * (W - 80);
      const key = [l.low_mm, l.high_mm, l.free_length_mm].join();
      if (key !== drawn) {
        drawn = key;
        attr(band, "x", x(l.low_mm)); attr(band, "width", x(l.high_mm) - x(l.low_mm));
        attr(free, "x1", x(l.free_length_mm)); attr(free, "x2", x(l.free_length_mm));
        attr(freeText, "x", x(l.free_length_mm) + 6); text(freeText, `free ${number(l.free_length_mm, 1)} mm`);
        attr(cone, "points", `${x(l.low_mm)},78 ${x(l.high_mm)},78 ${z(l.high_mm)},126 ${z(l.low_mm)},126`);
        lens.replaceChildren(...magnified(l, z, lo, hi));
      }
      coil.setAttribute("points", v === null ? "" : zigzag(20, x(v)));
      attr(end, "visibility", v === null ? "hidden" : "visible");
      attr(end, "x", v === null ? 0 : x(v));
      attr(needle, "d", v === null ? "" : `M${z(v)} 140l-10 -17h20z`);
      const where = v === null ? "not known" : v < l.low_mm ? "below its band" : v > l.high_mm ? "above its band" : "within its band";
      text(title, `Spring length ${v === null ? "" : `${number(v, 1)} mm, `}${where}; band ${number(l.low_mm, 1)} to ${number(l.high_mm, 1)} mm`);
    },
  };
}

function magnified(l, z, lo, hi) {
  const parts = [
    s("rect", { class: "band", x: z(l.low_mm), y: 126, width: z(l.high_mm) - z(l.low_mm), height: 28 }),
    s("line", { class: "rule", x1: z(lo), x2: z(hi), y1: 140, y2: 140 }),
  ];
  for (const mm of [l.low_mm, l.required_mm, l.high_mm]) {
    parts.push(s("line", { class: "rule", x1: z(mm), x2: z(mm), y1: 126, y2: 154 }), label(z(mm), 176, number(mm, 1)));
  }
  const [short, long] = l.tightener === "locked" ? ["shorter", "longer"] : ["tight", "slack"];
  parts.push(label(z(lo) - 4, 176, short, "start", "small"), label(z(hi) + 4, 176, long, "end", "small"));
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

// Lag on its scale, early to the left and late to the right, near limit and limit on both sides.
export function lagScale() {
  const title = s("title", {});
  const marks = s("g", {});
  const needle = s("path", { class: "needle" });
  const el = s("svg", { viewBox: `0 34 ${W} 140`, role: "img", class: "picture" }, title, marks, needle);
  let drawn = "";
  return {
    el,
    update(e) {
      const l = e.limits, v = e.lag_deg.value, end = l.lag_limit_deg * 1.2;
      const x = (deg) => 40 + ((Math.min(Math.max(deg, -end), end) + end) / (2 * end)) * (W - 80);
      const key = [l.lag_near_deg, l.lag_limit_deg].join();
      if (key !== drawn) {
        drawn = key;
        marks.replaceChildren(...lagMarks(l, x, end));
      }
      attr(needle, "d", v === null ? "" : `M${x(v)} 96l-13 -24h26z`);
      const size = v === null ? "not known" : Math.abs(v) >= l.lag_limit_deg ? "at or beyond its limit" : Math.abs(v) >= l.lag_near_deg ? "near its limit" : "well within its limits";
      text(title, `Camshaft lag ${v === null ? "" : `${number(v, 2)} degrees, `}${size}`);
    },
  };
}

function lagMarks(l, x, end) {
  const near = l.lag_near_deg, limit = l.lag_limit_deg;
  const zone = (a, b, cls) => s("rect", { class: cls, x: x(a), y: 82, width: x(b) - x(a), height: 28 });
  const parts = [
    zone(-limit, -near, "zone-near"), zone(near, limit, "zone-near"), zone(-end, -limit, "zone-over"),
    zone(limit, end, "zone-over"), s("line", { class: "rule", x1: x(-end), x2: x(end), y1: 96, y2: 96 }),
    label(x(-end), 56, "early", "start", "small"), label(x(end), 56, "late", "end", "small"),
  ];
  for (const deg of [-limit, -near, 0, near, limit]) {
    const long = Math.abs(deg) === limit || deg === 0;
    parts.push(s("line", { class: "rule", x1: x(deg), x2: x(deg), y1: long ? 78 : 84, y2: long ? 114 : 108 }));
    const low = Math.abs(deg) === near;
    parts.push(label(x(deg), low ? 160 : 136, deg === 0 ? "0" : `${number(Math.abs(deg), 1)}°`));
  }
  return parts;
}
