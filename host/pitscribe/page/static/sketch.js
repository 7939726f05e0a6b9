// The chart at once: the same lines on the same axes, drawn plainly while the chart library is still being read. It is
// some megabytes, and a second's work for a browser; a person who wants to know how the night went need not wait for it.

const NS = "http://www.w3.org/2000/svg";
const node = (tag, attributes, text) => {
  const e = document.createElementNS(NS, tag);
  for (const [k, v] of Object.entries(attributes)) if (v !== undefined) e.setAttribute(k, v);
  if (text !== undefined) e.textContent = text;
  return e;
};
const DASH = { solid: undefined, dot: "2 4", dash: "9 5", dashdot: "9 4 2 4", longdash: "14 6" };
const time = (stamp) => Date.parse(`${stamp}Z`);

/** Round steps within a range, about `most` of them. */
function steps([low, high], most) {
  const rough = (high - low) / most, ten = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((m) => m * ten).find((s) => s >= rough);
  const out = [];
  for (let v = Math.ceil(low / step) * step; v <= high; v += step) out.push(Math.round(v / step) * step);
  return out;
}

/** Draw `traces` by `layout` (both as the chart library takes them) into `box`, under what it will put there. */
export function sketch(box, traces, layout) {
  const { width, height, margin: m } = layout, plot = { w: width - m.l - m.r, h: height - m.t - m.b };
  const [x0, x1] = layout.xaxis.range.map(time);
  const spread = traces.find((t) => t.yaxis === "y2")?.y.filter((v) => v !== null) ?? [];
  const ranges = { y: layout.yaxis.range, y2: [0, Math.max(1, ...spread) * 1.05] };
  const x = (stamp) => m.l + (plot.w * (time(stamp) - x0)) / (x1 - x0);
  const y = (v, axis) => {
    const [a, b] = ranges[axis], [d0, d1] = (axis === "y" ? layout.yaxis : layout.yaxis2).domain;
    return m.t + plot.h * (1 - (d0 + ((d1 - d0) * (v - a)) / (b - a)));
  };
  const svg = node("svg", { width, height, viewBox: `0 0 ${width} ${height}`, class: "sketch", "aria-hidden": "true" });
  const { gridcolor } = layout.xaxis, ink = layout.font.color;
  const label = (text, at) => svg.append(node("text", { fill: ink, "font-size": 12, ...at }, text.replace(/<[^>]*>/g, "")));
  layout.xaxis.tickvals.forEach((stamp, i) => {
    svg.append(node("line", { x1: x(stamp), x2: x(stamp), y1: m.t, y2: m.t + plot.h, stroke: gridcolor }));
    label(layout.xaxis.ticktext[i], { x: x(stamp), y: height - m.b + 17, "text-anchor": "middle" });
  });
  for (const axis of ["y", "y2"]) {
    for (const v of steps(ranges[axis], axis === "y" ? 6 : 2)) {
      svg.append(node("line", { x1: m.l, x2: m.l + plot.w, y1: y(v, axis), y2: y(v, axis), stroke: gridcolor }));
      label(String(v), { x: m.l - 4, y: y(v, axis) + 4, "text-anchor": "end" });
    }
  }
  for (const t of traces) {
    if (t.mode !== "lines" || !t.line.width || t.yaxis === "y3") continue;
    let path = "", pen = "M";
    t.x.forEach((stamp, i) => {
      if (t.y[i] === null) { pen = "M"; return; }
      path += `${pen}${x(stamp).toFixed(1)} ${y(t.y[i], t.yaxis ?? "y").toFixed(1)}`;
      pen = "L";
    });
    svg.append(node("path", { d: path, fill: "none", stroke: t.line.color, "stroke-width": t.line.width, "stroke-dasharray": DASH[t.line.dash], opacity: t.opacity }));
  }
  for (const a of layout.annotations.filter((o) => o.x === 1 && o.yref === "y")) {
    label(a.text, { x: m.l + plot.w + a.xshift, y: y(a.y, "y") - a.yshift + 4, fill: a.font.color, "font-size": a.font.size });
  }
  box.querySelector("svg.sketch")?.remove();
  box.prepend(svg);
  box.dataset.sketched = "yes";
}

/** The library has drawn: the sketch goes. */
export const clearSketch = (box) => box.querySelector("svg.sketch")?.remove();
