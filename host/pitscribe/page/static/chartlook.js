// How the chart looks: its lines, shapes and words, from what is held of the cook's readings and a view of the page.

import { held, range, drawn } from "./chartdata.js";
import { isFresh } from "./answers.js";
import { bandTraces } from "./chartband.js";
import { fanOf, fanTraces } from "./chartfan.js";
import { safetyLabels, safetyTraces, stallSpans, stallTraces } from "./chartspans.js";
import { stamp, ticks } from "./charttime.js";
import { clock, degrees, difference, unitName } from "./units.js";

const $ = (id) => document.getElementById(id);
const DASHES = { solid: "", dash: "9 5", dot: "2 4", dashdot: "9 4 2 4" };
const ORDER = Object.keys(DASHES);
const WIDTHS = [2.6, 1.5, 3, 2]; // neighbours differ in width too: dashes alone run together on a phone
const COLOURS = { air: ["--air-1", "--air-2"], meat: ["--meat-1", "--meat-2", "--meat-3", "--meat-4"] };
const MAIN = 0.35, SPREAD = 0.18; // of the height: where the chart of temperatures begins, and where that of the spread ends
const narrow = () => $("chart").clientWidth < 560;
const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

/** Line style of each place: colour family by role, dash by its order within the role. */
export function stylesOf(places) {
  const count = {}, styles = {};
  for (const p of places) {
    const n = (count[p.kind] = (count[p.kind] ?? -1) + 1);
    const family = COLOURS[p.kind];
    const dash = ORDER[n % ORDER.length];
    styles[p.place] = { colour: css(family[n % family.length]), dash, dashes: DASHES[dash], width: WIDTHS[n % WIDTHS.length], ink: css(p.kind === "air" ? "--air-ink" : "--meat-ink") };
  }
  return styles;
}

/** All lines of the chart. */
export function traces(view, styles) {
  const f = degrees(1) - degrees(0), zero = degrees(0);
  const lines = held.whole.places.map((whole) => {
    const p = held.detail?.places.find((q) => q.place === whole.place && q.kind === whole.kind) ?? whole;
    const s = styles[p.place];
    return {
      type: "scatter", mode: "lines", name: p.place, connectgaps: false,
      x: p.t.map(stamp), y: p.c.map((c) => (c === null ? null : c * f + zero)),
      line: { color: s.colour, dash: s.dash, width: s.width, simplify: true },
      hovertemplate: `%{y:.1f} ${unitName()}`,
    };
  });
  const sp = drawn().spread;
  lines.push({
    type: "scatter", mode: "lines", name: "spread", yaxis: "y2", x: sp.t.map(stamp), y: sp.c.map((k) => (k === null ? null : difference(k))),
    line: { color: css("--ink"), width: 1.6 }, hovertemplate: `%{y:.1f} ${unitName()}`, connectgaps: false,
  });
  lines.push(noteTrace(view));
  return [...safetyTraces(view, frameOf(view).y), ...bandTraces(styles), ...fanTraces(view, styles), ...stallTraces(view, styles), ...lines];
}

const SYMBOLS = { wrap: "square", rotate: "diamond", fuel: "triangle-up", lid: "triangle-down", pull: "star", hold: "hexagon" };
function noteTrace(view) {
  const notes = view.snap.notes;
  return {
    type: "scatter", mode: "markers", name: "notes", yaxis: "y3", x: notes.map((n) => stamp(n.at)), y: notes.map(() => 0.72),
    marker: { size: 9, color: css("--ink"), symbol: notes.map((n) => SYMBOLS[n.kind] ?? (n.kind === "text" ? "circle-open" : "circle")) },
    text: notes.map((n) => escaped(`${n.kind === "text" ? "" : n.kind} ${n.text}`.trim())), hovertemplate: "%{text}", hoverlabel: { namelength: 0 },
  };
}
// Plotly reads a little markup in its texts; what people typed is not markup.
const escaped = (text) => text.slice(0, 80).replaceAll("&", "&amp;").replaceAll("<", "&lt;").replaceAll(">", "&gt;");

function shapes(view, yBottom) {
  const out = [];
  for (const s of stallSpans(view)) {
    out.push({ type: "rect", xref: "x", yref: "paper", x0: stamp(s.begin), x1: stamp(s.end), y0: yBottom, y1: 1, fillcolor: css("--stall"), line: { width: 0 }, layer: "below" });
  }
  for (const n of view.snap.notes) {
    out.push({ type: "line", xref: "x", yref: "paper", x0: stamp(n.at), x1: stamp(n.at), y0: yBottom, y1: 1, opacity: 0.55, line: { color: css("--quiet"), width: 1, dash: "dot" }, layer: "below" });
  }
  const target = view.snap.cook.target_c;
  if (target !== null) out.push({ type: "line", xref: "paper", x0: 0, x1: 1, yref: "y", y0: degrees(target), y1: degrees(target), line: { color: css("--quiet"), width: 1.5, dash: "longdash" }, layer: "below" });
  return out;
}

/** Move `wanted` pixel positions apart so that neighbours are at least `gap` apart, order kept, as little as may be. */
export function spreadOut(wanted, gap, low, high) {
  const order = wanted.map((_, i) => i).sort((a, b) => wanted[a] - wanted[b]);
  const out = [...wanted];
  for (let pass = 0; pass < 60; pass++) {
    let moved = false;
    for (let k = 1; k < order.length; k++) {
      const a = order[k - 1], b = order[k], lack = gap - (out[b] - out[a]);
      if (lack > 0.1) { out[a] -= lack / 2; out[b] += lack / 2; moved = true; }
    }
    for (const i of order) out[i] = Math.min(high, Math.max(low, out[i]));
    if (!moved) break;
  }
  return out;
}

function endLabels(view, styles, layout, size) {
  const shown = drawn().places.map((p) => {
    let i = p.c.length - 1;
    while (i >= 0 && p.c[i] === null) i--;
    if (i < 0) return null;
    const place = view.snap.places.find((q) => q.place === p.place && q.kind === p.kind);
    // At the end of the cook the label says what the answers above it say, and not the last drawn extreme.
    const now = drawn().to < held.whole.to - 1 ? null : place;
    const t = now?.t ?? p.t[i];
    // A line that ended long before the chart does is not there any more, and must not look it.
    const gone = drawn().to - t > Math.max(place?.stale_after_s ?? 120, 3 * drawn().width);
    const old = now && !view.past && !isFresh(view, now);
    return { place: p.place, y: degrees(p.c[i]), said: degrees(now?.celsius ?? p.c[i]), t, gone, old };
  }).filter(Boolean);
  const [y0, y1] = layout.yaxis.range, plot = size.plot * (layout.yaxis.domain[1] - layout.yaxis.domain[0]);
  const px = shown.map((s) => ((s.y - y0) / (y1 - y0)) * plot);
  const at = spreadOut(px, 17, 6, plot - 6);
  const cut = (name, max) => escaped(name.length > max ? `${name.slice(0, max - 1)}…` : name);
  const words = (s) => {
    if (s.gone) return `<i>${cut(s.place, narrow() ? 8 : 11)} ${narrow() ? "gone" : `to ${clock(s.t)}`}</i>`;
    if (s.old) return `<i>${cut(s.place, narrow() ? 5 : 11)} was ${s.said.toFixed(0)}</i>`;
    return `<b>${cut(s.place, narrow() ? 8 : 14)}</b> ${s.said.toFixed(0)}`;
  };
  return shown.map((s, i) => ({
    xref: "paper", x: 1, xanchor: "left", yref: "y", y: s.y, yshift: at[i] - px[i], xshift: 5, showarrow: false, align: "left",
    text: words(s), font: { size: narrow() ? 11.5 : s.gone || s.old ? 12 : 13, color: s.gone || s.old ? css("--quiet") : styles[s.place].ink },
  }));
}

function otherLabels(view, { x, y }, size) {
  const out = [];
  const text = (o) => out.push({ showarrow: false, font: { size: 12, color: css("--quiet") }, ...o });
  const perSecond = size.width / (x[1] - x[0]);
  for (const u of stallSpans(view)) {
    const from = Math.max(u.begin, x[0]), to = Math.min(u.end, x[1]), room = (to - from) * perSecond;
    if (room < 34) continue;
    const long = `stall: ${u.names.join(", ")}`;
    text({ xref: "x", x: stamp((from + to) / 2), yref: "paper", y: 1, yanchor: "bottom", text: escaped(long.length * 6.6 < room + 20 ? long : "stall"), font: { size: 12, color: css("--stall-ink") } });
  }
  for (const s of safetyLabels(view, x, perSecond)) {
    text({ xref: "x", x: stamp(s.to), xanchor: "right", xshift: -3, yref: "y", y: Math.max(s.y ?? y[0], y[0]), yanchor: "bottom", yshift: 3, text: escaped(s.text), bgcolor: css("--sheet"), borderpad: 1, font: { size: 12, color: css(s.colour) } });
  }
  // Note names where there is room, the rarer kinds first; the marks and the list have them all.
  const taken = [], often = (n) => view.snap.notes.filter((m) => m.kind === n.kind).length;
  for (const n of [...view.snap.notes].sort((a, b) => often(a) - often(b) || a.at - b.at)) {
    const px = (n.at - x[0]) * perSecond, word = n.kind === "text" ? "note" : n.kind, half = word.length * 3.4 + 4;
    if (px < 0 || px > size.width || taken.some((t) => Math.abs(t.px - px) < t.half + half)) continue;
    taken.push({ px, half });
    text({ xref: "x", x: stamp(n.at), yref: "y3", y: 0.1, text: word, font: { size: 11.5, color: css("--quiet") } });
  }
  return out;
}

/** What the band adds as a rule: half of its points are narrower. Where a lid was open it is wide, and may be cut off. */
function bandRoom(x) {
  if (!held.band) return 0;
  const halves = drawn().places.flatMap((p) => (p.b ?? []).filter((b, i) => b !== null && p.t[i] >= x[0] && p.t[i] <= x[1]));
  return halves.sort((a, b) => a - b)[halves.length >> 1] ?? 0;
}

function yRange(view, x) {
  let low = Infinity, high = -Infinity;
  for (const p of drawn().places) {
    for (let i = 0; i < p.t.length; i++) {
      if (p.c[i] === null) continue;
      if (p.t[i] < x[0] || p.t[i] > x[1]) continue;
      if (p.c[i] < low) low = p.c[i];
      if (p.c[i] > high) high = p.c[i];
    }
  }
  if (!(high > low)) { low = (Number.isFinite(low) ? low : 50) - 5; high = low + 10; }
  const target = view.snap.cook.target_c;
  if (!held.shown && target !== null) high = Math.max(high, target + 2);
  const pad = 0.04 * (high - low) + bandRoom(x);
  return [degrees(low - pad), degrees(high + pad)];
}

/** What the axes span: {x: UTC s, y: in the chosen unit}. */
function frameOf(view) {
  const r = range() ?? { from: Math.min(held.whole.from, view.snap.cook.started), to: held.whole.to };
  const x = [r.from, Math.max(r.to, r.from + 60, fanOf(view)?.t.at(-1) ?? 0)];
  return { x, y: yRange(view, x) };
}

/** Axes, shapes and words of the chart. */
export function layoutOf(view, styles) {
  const { x, y } = frameOf(view);
  const box = $("chart"), small = narrow();
  const margin = { l: 44, r: small ? 98 : 132, t: 22, b: 30 };
  const size = { plot: Math.max(60, box.clientHeight - margin.t - margin.b), width: Math.max(60, box.clientWidth - margin.l - margin.r) };
  const grid = { gridcolor: css("--rule"), zeroline: false, fixedrange: true, tickfont: { size: 12 } };
  const days = clock(x[0], held.whole.to) !== clock(x[0]) || clock(x[1], held.whole.from) !== clock(x[1]);
  const layout = {
    margin, width: box.clientWidth, height: box.clientHeight, showlegend: false, paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
    font: { family: getComputedStyle(document.body).fontFamily, color: css("--quiet"), size: 12 },
    hovermode: "x unified", hoverlabel: { bgcolor: css("--sheet"), bordercolor: css("--rule"), font: { color: css("--ink"), size: 13 } },
    dragmode: matchMedia("(pointer: coarse)").matches ? false : "zoom",
    xaxis: { type: "date", range: x.map(stamp), ...ticks(...x, Math.max(2, Math.floor(size.width / 62)), days), gridcolor: css("--rule"), hoverformat: "%a %H:%M:%S", anchor: "y2", tickfont: { size: 12 }, showline: false, tickangle: 0, ticklabelstandoff: 5 },
    yaxis: { ...grid, domain: [MAIN, 1], range: y, nticks: 7, title: { text: "" } },
    yaxis3: { domain: [MAIN - 0.1, MAIN], range: [-0.25, 1.1], visible: false, fixedrange: true },
    yaxis2: { ...grid, domain: [0, SPREAD], rangemode: "tozero", nticks: 3 },
  };
  layout.shapes = shapes(view, MAIN);
  layout.annotations = [...endLabels(view, styles, layout, size), ...otherLabels(view, { x, y }, size),
    { showarrow: false, xref: "paper", x: 0, xanchor: "left", yref: "paper", y: SPREAD, yanchor: "bottom", text: `spread, ${unitName()}`, font: { size: 12, color: css("--quiet") } },
    { showarrow: false, xref: "paper", x: 0, xanchor: "right", xshift: -6, yref: "paper", y: 1, yanchor: "bottom", yshift: 5, text: unitName(), font: { size: 12, color: css("--quiet") } },
  ];
  return layout;
}
