// The chart: pit and meat places with their names at the line ends, stalls shaded, notes as marks, the spread below.

import { held, range, drawn, bring } from "./chartdata.js";
import { fillTable } from "./charttable.js";
import { degrees, difference, unitName, temp, clock } from "./units.js";

const $ = (id) => document.getElementById(id);
const DASHES = { solid: "", dash: "9 5", dot: "2 4", dashdot: "9 4 2 4" };
const ORDER = Object.keys(DASHES);
const COLOURS = { air: ["--air-1", "--air-2"], meat: ["--meat-1", "--meat-2", "--meat-3", "--meat-4"] };

let view = null, ready = null, busy = false, again = false, forced = false, gone = -Infinity, timer = 0, key = "", readings = null;
const narrow = () => $("chart").clientWidth < 560;
const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
// Plotly shows a number of milliseconds as local time, and hands ranges back as texts in local time.
const ms = (t) => t * 1000;
function fromPlotly(v) {
  if (typeof v === "number") return v / 1000;
  const text = String(v).trim().replace(" ", "T");
  // A date alone would be read as UTC.
  return Date.parse(text.includes("T") ? text : `${text}T00:00`) / 1000;
}

/** Line style of each place: colour family by role, dash by its order within the role. */
export function stylesOf(places) {
  const count = {}, styles = {};
  for (const p of places) {
    const n = (count[p.kind] = (count[p.kind] ?? -1) + 1);
    const family = COLOURS[p.kind];
    const dash = ORDER[n % ORDER.length];
    styles[p.place] = { colour: css(family[n % family.length]), dash, dashes: DASHES[dash], ink: css(p.kind === "air" ? "--air-ink" : "--meat-ink") };
  }
  return styles;
}

function loadPlotly() {
  ready ??= new Promise((resolve, reject) => {
    const s = document.createElement("script");
    s.src = "/static/plotly.min.js";
    s.onload = resolve;
    s.onerror = () => { ready = null; reject(new Error("the chart library did not come")); };
    document.head.append(s);
  });
  return ready;
}

function traces(styles) {
  const f = degrees(1) - degrees(0), zero = degrees(0);
  const lines = held.whole.places.map((whole) => {
    const p = held.detail?.places.find((q) => q.place === whole.place && q.kind === whole.kind) ?? whole;
    const s = styles[p.place];
    return {
      type: "scatter", mode: "lines", name: p.place, connectgaps: false,
      x: p.t.map(ms), y: p.c.map((c) => (c === null ? null : c * f + zero)),
      line: { color: s.colour, dash: s.dash, width: 2.2, simplify: true },
      hovertemplate: `%{y:.1f} ${unitName()}`,
    };
  });
  const sp = drawn().spread;
  lines.push({
    type: "scatter", mode: "lines", name: "spread", yaxis: "y2", x: sp.t.map(ms), y: sp.c.map((k) => (k === null ? null : difference(k))),
    line: { color: css("--ink"), width: 1.6 }, hovertemplate: `%{y:.1f} ${unitName()}`, connectgaps: false,
  });
  lines.push(noteTrace());
  return [...stallTraces(styles), ...lines];
}

const SYMBOLS = { wrap: "square", rotate: "diamond", fuel: "triangle-up", lid: "triangle-down", pull: "star", hold: "hexagon" };
function noteTrace() {
  const notes = view.snap.notes;
  return {
    type: "scatter", mode: "markers", name: "notes", yaxis: "y3", x: notes.map((n) => ms(n.at)), y: notes.map(() => 0.72),
    marker: { size: 9, color: css("--ink"), symbol: notes.map((n) => SYMBOLS[n.kind] ?? (n.kind === "text" ? "circle-open" : "circle")) },
    text: notes.map((n) => escaped(`${n.kind === "text" ? "" : n.kind} ${n.text}`.trim())), hovertemplate: "%{text}", hoverlabel: { namelength: 0 },
  };
}
// Plotly reads a little markup in its texts; what people typed is not markup.
const escaped = (text) => text.slice(0, 80).replaceAll("&", "&amp;").replaceAll("<", "&lt;").replaceAll(">", "&gt;");

/** The times in which some place stalls, joined where they overlap, with the places' names. */
function stallSpans() {
  const spans = [];
  for (const s of [...view.snap.stalls].sort((a, b) => a.begin - b.begin)) {
    const last = spans.at(-1), end = s.end ?? held.whole.to;
    if (last && s.begin <= last.end) {
      last.end = Math.max(last.end, end);
      if (!last.names.includes(s.place)) last.names.push(s.place);
    } else spans.push({ begin: s.begin, end, names: [s.place] });
  }
  return spans;
}

/** A broad pale line under each place's own, as long as that place stalls. */
function stallTraces(styles) {
  const f = degrees(1) - degrees(0), zero = degrees(0);
  return view.snap.stalls.map((s) => {
    const p = drawn().places.find((q) => q.place === s.place && q.kind === "meat");
    if (!p) return null;
    const at = p.t.map((t, i) => i).filter((i) => p.t[i] >= s.begin && p.t[i] <= (s.end ?? Infinity));
    return {
      type: "scatter", mode: "lines", name: `${s.place} stalls`, hoverinfo: "skip", connectgaps: false, opacity: 0.3,
      x: at.map((i) => ms(p.t[i])), y: at.map((i) => (p.c[i] === null ? null : p.c[i] * f + zero)), line: { color: styles[s.place]?.colour, width: 9 },
    };
  }).filter(Boolean);
}

function shapes(yBottom) {
  const out = [];
  for (const s of stallSpans()) {
    out.push({ type: "rect", xref: "x", yref: "paper", x0: ms(s.begin), x1: ms(s.end), y0: yBottom, y1: 1, fillcolor: css("--stall"), line: { width: 0 }, layer: "below" });
  }
  for (const n of view.snap.notes) {
    out.push({ type: "line", xref: "x", yref: "paper", x0: ms(n.at), x1: ms(n.at), y0: yBottom, y1: 1, opacity: 0.55, line: { color: css("--quiet"), width: 1, dash: "dot" }, layer: "below" });
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

function endLabels(styles, layout, size) {
  const shown = drawn().places.map((p) => {
    let i = p.c.length - 1;
    while (i >= 0 && p.c[i] === null) i--;
    if (i < 0) return null;
    // At the end of the cook the label says what the answers above it say, and not the last drawn extreme.
    const now = drawn().to < held.whole.to - 1 ? null : view.snap.places.find((q) => q.place === p.place && q.kind === p.kind);
    return { place: p.place, y: degrees(p.c[i]), said: degrees(now?.celsius ?? p.c[i]) };
  }).filter(Boolean);
  const [y0, y1] = layout.yaxis.range, plot = size.plot * (layout.yaxis.domain[1] - layout.yaxis.domain[0]);
  const px = shown.map((s) => ((s.y - y0) / (y1 - y0)) * plot);
  const at = spreadOut(px, 17, 6, plot - 6);
  const max = narrow() ? 8 : 14;
  return shown.map((s, i) => ({
    xref: "paper", x: 1, xanchor: "left", yref: "y", y: s.y, yshift: at[i] - px[i], xshift: 5, showarrow: false, align: "left",
    text: `<b>${escaped(s.place.length > max ? `${s.place.slice(0, max - 1)}…` : s.place)}</b> ${s.said.toFixed(0)}`,
    font: { size: narrow() ? 11.5 : 13, color: styles[s.place].ink },
  }));
}

function otherLabels(x, size) {
  const out = [];
  const text = (o) => out.push({ showarrow: false, font: { size: 12, color: css("--quiet") }, ...o });
  const perMs = size.width / (x[1] - x[0]);
  for (const u of stallSpans()) {
    const from = Math.max(ms(u.begin), x[0]), to = Math.min(ms(u.end), x[1]), room = (to - from) * perMs;
    if (room < 34) continue;
    const long = `stall: ${u.names.join(", ")}`;
    text({ xref: "x", x: (from + to) / 2, yref: "paper", y: 1, yanchor: "bottom", text: escaped(long.length * 6.6 < room + 20 ? long : "stall"), font: { size: 12, color: css("--stall-ink") } });
  }
  // Note names where there is room, the rarer kinds first; the marks and the list have them all.
  const taken = [], often = (n) => view.snap.notes.filter((m) => m.kind === n.kind).length;
  for (const n of [...view.snap.notes].sort((a, b) => often(a) - often(b) || a.at - b.at)) {
    const px = (ms(n.at) - x[0]) * perMs, word = n.kind === "text" ? "note" : n.kind, half = word.length * 3.4 + 4;
    if (px < 0 || px > size.width || taken.some((t) => Math.abs(t.px - px) < t.half + half)) continue;
    taken.push({ px, half });
    text({ xref: "x", x: ms(n.at), yref: "y3", y: 0.1, text: word, font: { size: 11.5, color: css("--quiet") } });
  }
  return out;
}

function yRange(x) {
  let low = Infinity, high = -Infinity;
  for (const p of drawn().places) {
    for (let i = 0; i < p.t.length; i++) {
      if (p.c[i] === null) continue;
      if (ms(p.t[i]) < x[0] || ms(p.t[i]) > x[1]) continue;
      if (p.c[i] < low) low = p.c[i];
      if (p.c[i] > high) high = p.c[i];
    }
  }
  if (!(high > low)) { low = (Number.isFinite(low) ? low : 50) - 5; high = low + 10; }
  const target = view.snap.cook.target_c;
  if (!held.shown && target !== null) high = Math.max(high, target + 2);
  const pad = 0.04 * (high - low);
  return [degrees(low - pad), degrees(high + pad)];
}

function layoutOf(styles) {
  const r = range() ?? { from: Math.min(held.whole.from, view.snap.cook.started), to: held.whole.to };
  const x = [ms(r.from), ms(Math.max(r.to, r.from + 60))];
  const box = $("chart"), small = narrow();
  const margin = { l: 44, r: small ? 98 : 132, t: 22, b: 30 };
  const size = { plot: Math.max(60, box.clientHeight - margin.t - margin.b), width: Math.max(60, box.clientWidth - margin.l - margin.r) };
  const grid = { gridcolor: css("--rule"), zeroline: false, fixedrange: true, tickfont: { size: 12 } };
  const hours = (x[1] - x[0]) / 3600000;
  const layout = {
    margin, autosize: true, showlegend: false, paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
    font: { family: getComputedStyle(document.body).fontFamily, color: css("--quiet"), size: 12 },
    hovermode: "x unified", hoverlabel: { bgcolor: css("--sheet"), bordercolor: css("--rule"), font: { color: css("--ink"), size: 13 } },
    dragmode: matchMedia("(pointer: coarse)").matches ? false : "zoom",
    xaxis: { type: "date", range: x, gridcolor: css("--rule"), tickformat: "%H:%M", hoverformat: "%a %H:%M:%S", anchor: "y2", nticks: Math.max(3, Math.floor(size.width / 75)), tickfont: { size: 12 }, showline: false, tickangle: 0, ticklabelstandoff: 5 },
    yaxis: { ...grid, domain: [0.33, 1], range: yRange(x), nticks: 7, title: { text: "" } },
    yaxis3: { domain: [0.23, 0.33], range: [-0.25, 1.1], visible: false, fixedrange: true },
    yaxis2: { ...grid, domain: [0, 0.2], rangemode: "tozero", nticks: 3 },
    transition: { duration: 0 },
  };
  if (hours > 36) layout.xaxis.tickformat = "%a %H:%M";
  layout.shapes = shapes(0.33);
  layout.annotations = [...endLabels(styles, layout, size), ...otherLabels(x, size),
    { showarrow: false, xref: "paper", x: 0, xanchor: "left", yref: "paper", y: 0.2, yanchor: "bottom", text: `spread, ${unitName()}`, font: { size: 12, color: css("--quiet") } },
    { showarrow: false, xref: "paper", x: 0, xanchor: "right", xshift: -6, yref: "paper", y: 1, yanchor: "bottom", yshift: 5, text: unitName(), font: { size: 12, color: css("--quiet") } },
  ];
  return layout;
}

async function draw() {
  if (!held.whole || !view.snap.cook) return;
  await loadPlotly();
  const styles = stylesOf(view.snap.places.length ? view.snap.places : held.whole.places);
  for (const p of held.whole.places) styles[p.place] ??= stylesOf(held.whole.places)[p.place];
  const box = $("chart");
  await window.Plotly.react(box, traces(styles), layoutOf(styles), { displayModeBar: false, responsive: true, scrollZoom: false, doubleClick: false, showTips: false });
  if (!box.dataset.wired) wirePlot(box);
  box.dataset.drawn = String(held.whole.to);
  sayChart();
}

function sayChart() {
  const named = held.whole.places.map((p) => {
    const good = p.c.filter((c) => c !== null);
    return good.length ? `${p.place} from ${temp(Math.min(...good))} to ${temp(Math.max(...good))}` : `${p.place} not read`;
  });
  $("chart").setAttribute("aria-label", `Chart from ${clock(held.whole.from)} to ${clock(held.whole.to)}, ${unitName()}: ${named.join("; ")}. The same as a table below it.`);
  if ($("chart-table").open) showTable();
}

function wirePlot(box) {
  box.dataset.wired = "yes";
  box.on("plotly_relayout", (change) => {
    const a = change["xaxis.range[0]"] ?? change["xaxis.range"]?.[0], b = change["xaxis.range[1]"] ?? change["xaxis.range"]?.[1];
    if (a === undefined || b === undefined) return;
    choose({ from: fromPlotly(a), to: fromPlotly(b) });
  });
  box.on("plotly_doubleclick", () => choose(null));
}

function choose(next) {
  held.shown = next && next.to - next.from < 30 ? { from: next.from, to: next.from + 30 } : next;
  for (const b of document.querySelectorAll("[data-span]")) {
    const on = held.shown === null ? b.dataset.span === "all" : held.shown.span === Number(b.dataset.span);
    b.setAttribute("aria-pressed", String(on));
  }
  refresh(true);
}

function step(way) {
  if (!held.whole) return;
  const r = range() ?? { from: held.whole.to - 14400, to: held.whole.to };
  const width = r.to - r.from, by = way * width * 0.5;
  const from = Math.max(held.whole.from, Math.min(held.whole.to - width, r.from + by));
  choose({ from, to: from + width });
}

/** Fetch what is new and draw, one at a time; `force` when something besides the readings has changed. */
export async function refresh(force = false) {
  if (!view?.snap.cook) return;
  // Readings at most every 1.5 s: drawing 8000 points that often is what a phone can bear. None is forgotten.
  const wait = 1500 - (performance.now() - gone);
  if (!force && wait > 0) {
    timer ||= setTimeout(() => { timer = 0; refresh(); }, wait);
    return;
  }
  if (busy) { again = true; forced = forced || force; return; }
  busy = true;
  gone = performance.now();
  try {
    await bring(view.snap.cook.id);
    await draw();
    $("chart-said").hidden = true;
  } catch (e) {
    $("chart-said").textContent = `The chart stands still: ${e.message}.`;
    $("chart-said").hidden = false;
    timer ||= setTimeout(() => { timer = 0; refresh(true); }, 5000);
  } finally { busy = false; }
  if (again) { const f = forced; again = forced = false; refresh(f); }
}

/** A new snapshot: fetch and draw if it has other readings, notes or stalls. */
export function follow(next) {
  view = next;
  if (!view.snap.cook) return;
  const now = JSON.stringify([view.snap.cook, view.snap.notes, view.snap.stalls, view.snap.places.map((p) => [p.place, p.kind])]);
  const force = now !== key;
  key = now;
  const news = view.snap.readings !== readings;
  readings = view.snap.readings;
  if (force || news) refresh(force);
}

export const redraw = () => { if (held.whole) draw().catch(() => {}); };

const showTable = () => fillTable($("chart-table").querySelector(".scroll"), held.whole);

export function wireChart() {
  for (const b of document.querySelectorAll("[data-span]")) b.addEventListener("click", () => choose(b.dataset.span === "all" ? null : { span: Number(b.dataset.span) }));
  for (const b of document.querySelectorAll("[data-step]")) b.addEventListener("click", () => step(Number(b.dataset.step)));
  $("chart-table").addEventListener("toggle", () => { if ($("chart-table").open && held.whole) showTable(); });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
  let wide = innerWidth;
  addEventListener("resize", () => { if (innerWidth !== wide) { wide = innerWidth; redraw(); } });
  loadPlotly().catch(() => {}); // it comes while the readings do
}
