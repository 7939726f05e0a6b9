// What the chart shades: stalls, and the stretches of food safety. Each has a pattern or a word besides its colour.

import { held, drawn } from "./chartdata.js";
import { stamp } from "./charttime.js";
import { degrees, seconds, temp, unitName } from "./units.js";

const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

/** The stalls as the analysis has them, their times in UTC s. */
const stallsOf = (view) => view.snap.stalls.map((s) => ({ ...s, begin: seconds(s.begin), end: seconds(s.end) }));

/** The times in which some place stalls, joined where they overlap, with the places' names. */
export function stallSpans(view) {
  const spans = [];
  for (const s of stallsOf(view).sort((a, b) => a.begin - b.begin)) {
    const last = spans.at(-1), end = s.end ?? held.whole.to;
    if (last && s.begin <= last.end) {
      last.end = Math.max(last.end, end);
      if (!last.names.includes(s.place)) last.names.push(s.place);
    } else spans.push({ begin: s.begin, end, names: [s.place] });
  }
  return spans;
}

/** A broad pale line under each place's own, as long as that place stalls; not where the band would hide it. */
export function stallTraces(view, styles) {
  if (held.band) return [];
  return stallsOf(view).map((s) => {
    const p = drawn().places.find((q) => q.place === s.place && q.kind === "meat");
    if (!p) return null;
    const at = p.t.map((t, i) => i).filter((i) => p.t[i] >= s.begin && p.t[i] <= (s.end ?? Infinity));
    return {
      type: "scatter", mode: "lines", name: `${s.place} stalls`, hoverinfo: "skip", connectgaps: false, opacity: 0.3,
      x: at.map((i) => stamp(p.t[i])), y: at.map((i) => (p.c[i] === null ? null : degrees(p.c[i]))), line: { color: styles[s.place]?.colour, width: 9 },
    };
  }).filter(Boolean);
}

/** How each kind of stretch looks: the hatch, its colour (a property of page.css) and how strong it is. */
const HATCHES = {
  "danger zone": { shape: "/", colour: "--zone", opacity: 0.5 },
  "not hot": { shape: "\\", colour: "--not-hot", opacity: 0.85 },
  unknown: { shape: "x", colour: "--quiet", opacity: 0.4 },
};

/** The stretches of food safety, their times in UTC s. */
export const safetySpans = (view) => (view.snap.safety?.spans ?? []).map((s) => ({ ...s, begin: seconds(s.begin), end: seconds(s.end) }));

/** Where they lie on the chart, hatched: between their lines of temperature, or from `low` to `high` (as drawn). */
export function safetyTraces(view, [low, high]) {
  const spans = safetySpans(view);
  return Object.entries(HATCHES).map(([what, { shape, colour, opacity }]) => {
    const x = [], y = [];
    for (const s of spans.filter((one) => one.what === what)) {
      const [a, b] = [stamp(s.begin), stamp(s.end)];
      const [under, over] = [s.low_c === null ? low : degrees(s.low_c), s.high_c === null ? high : degrees(s.high_c)];
      x.push(a, b, b, a, a, null);
      y.push(under, under, over, over, under, null);
    }
    return {
      type: "scatter", mode: "lines", name: what, hoverinfo: "skip", x, y, line: { width: 1, color: css(colour) }, opacity, fill: "toself", fillcolor: "rgba(0,0,0,0)",
      fillpattern: { shape, fgcolor: css(colour), bgcolor: "rgba(0,0,0,0)", fgopacity: 1, size: 10, solidity: 0.1 },
    };
  }).filter((trace) => trace.x.length);
}

/** "second flat 40 to 140 °F", in the lower right corner of a stretch, where meat that heats leaves room; if there is. */
export function safetyLabels(view, x, perSecond) {
  return safetySpans(view).map((s) => {
    const to = Math.min(s.end, x[1]), room = (to - Math.max(s.begin, x[0])) * perSecond;
    const lines = s.low_c === null ? (s.high_c === null ? "?" : `below ${temp(s.high_c)} ${unitName()}`) : `${temp(s.low_c)} to ${temp(s.high_c)} ${unitName()}`;
    const long = `${s.place} ${s.high_c === null ? "unknown" : lines}`;
    const text = long.length * 6.4 < room - 8 ? long : lines.length * 6.4 < room - 8 ? lines : "";
    if (!text) return null;
    return { to, text, colour: HATCHES[s.what].colour, y: s.low_c === null ? null : degrees(s.low_c) };
  }).filter(Boolean);
}
