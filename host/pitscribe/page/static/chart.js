// The chart: pit and meat places with their names at the line ends, stalls shaded, notes as marks, the spread below.

import { isFresh } from "./answers.js";
import { held, range, bring, wantBand } from "./chartdata.js";
import { showKey } from "./chartkey.js";
import { layoutOf, stylesOf, traces } from "./chartlook.js";
import { fromStamp } from "./charttime.js";
import { fillTable } from "./charttable.js";
import { sketch, clearSketch } from "./sketch.js";
import { unitName, temp, clock } from "./units.js";

const $ = (id) => document.getElementById(id);
let view = null, ready = null, busy = false, again = false, forced = false, gone = -Infinity, timer = 0, key = "", readings = null, drawing = 0;

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

/** When what was just made is on the screen; at once where the page is not in sight. */
const seen = () => new Promise((done) => {
  if (document.hidden) done();
  else requestAnimationFrame(() => setTimeout(done, 0));
});

async function draw() {
  if (!held.whole || !view.snap.cook) return;
  const styles = stylesOf(view.snap.places.length ? view.snap.places : held.whole.places);
  for (const p of held.whole.places) styles[p.place] ??= stylesOf(held.whole.places)[p.place];
  const box = $("chart");
  showKey(view);
  if (!window.Plotly) {
    sketch(box, traces(view, styles), layoutOf(view, styles));
    await seen();
    performance.mark("chart sketched"); // reading the library holds everything up for a second: measured from here
  }
  await loadPlotly();
  drawing++;
  try {
    await window.Plotly.react(box, traces(view, styles), layoutOf(view, styles), { displayModeBar: false, scrollZoom: false, doubleClick: false, showTips: false });
  } finally { drawing--; }
  clearSketch(box);
  if (!box.dataset.wired) wirePlot(box);
  box.dataset.drawn = String(held.whole.to);
  sayChart();
}

function sayChart() {
  const named = held.whole.places.map((p) => {
    const good = p.c.filter((c) => c !== null);
    return good.length ? `${p.place} from ${temp(Math.min(...good))} to ${temp(Math.max(...good))}` : `${p.place} not read`;
  });
  $("chart").setAttribute("aria-label", `Chart from ${clock(held.whole.from, held.whole.to)} to ${clock(held.whole.to, held.whole.from)}, ${unitName()}: ${named.join("; ")}. The same as a table below it.`);
  if ($("chart-table").open) showTable();
}

function wirePlot(box) {
  box.dataset.wired = "yes";
  box.on("plotly_relayout", (change) => {
    if (drawing) return; // what we draw ourselves is no choice of the person's
    const a = change["xaxis.range[0]"] ?? change["xaxis.range"]?.[0], b = change["xaxis.range[1]"] ?? change["xaxis.range"]?.[1];
    if (a === undefined || b === undefined) return;
    choose({ from: fromStamp(a), to: fromStamp(b) });
  });
  box.on("plotly_click", ({ points }) => {
    const one = points.find((p) => p.data.name === "notes"), note = one && view.snap.notes[one.pointNumber];
    if (note) document.dispatchEvent(new CustomEvent("open-note", { detail: note }));
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
  const now = JSON.stringify([view.snap.cook, view.snap.notes, view.snap.stalls, view.snap.forecasts?.[0]?.made, view.snap.safety?.spans, view.snap.places.map((p) => [p.place, p.kind, isFresh(view, p)])]);
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
  const band = $("chart-band"), say = () => band.setAttribute("aria-pressed", String(held.band));
  band.addEventListener("click", () => { wantBand(!held.band); say(); refresh(true); });
  say();
  $("chart-table").addEventListener("toggle", () => { if ($("chart-table").open && held.whole) showTable(); });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
  let wide = 0;
  new ResizeObserver(([entry]) => {
    const now = Math.round(entry.contentRect.width);
    if (now && now !== wide) { wide = now; redraw(); }
  }).observe($("chart"));
}
