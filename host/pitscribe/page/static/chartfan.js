// The forecast on the chart: what the coldest meat place may do until it is at its target, as a band and a median.

import { held } from "./chartdata.js";
import { stamp } from "./charttime.js";
import { degrees, seconds } from "./units.js";

const MOST_SHARE = 0.6; // of the cook so far: a forecast of a day does not squeeze the hours that were

/** {t, low, mid, high, place} in UTC s and degC, as far as it is drawn; null where none is. */
export function fanOf(view) {
  if (view.past || held.shown || !held.whole) return null;
  const place = view.snap.coldest?.place, f = (view.snap.forecasts ?? []).find((g) => g.place === place);
  if (!f?.fan || f.reached) return null;
  const { t, levels, celsius } = f.fan, row = (level) => celsius[levels.indexOf(level)];
  const [low, mid, high] = [row(0.1), row(0.5), row(0.9)];
  if (!low || !mid || !high) return null;
  const { from, to } = held.whole, until = Math.min(to + Math.max(3600, MOST_SHARE * (to - from)), f.p90 ? seconds(f.p90) : Infinity);
  const at = t.map((iso, i) => i).filter((i) => seconds(t[i]) <= until && low[i] !== null && low[i] <= view.snap.cook.target_c);
  if (at.length < 2) return null;
  const pick = (column) => at.map((i) => Math.min(column[i], view.snap.cook.target_c));
  return { place, t: at.map((i) => seconds(t[i])), low: pick(low), mid: pick(mid), high: pick(high) };
}

/** The traces of the fan, in the colour of its place. */
export function fanTraces(view, styles) {
  const fan = fanOf(view);
  if (!fan) return [];
  const colour = styles[fan.place]?.colour, x = fan.t.map(stamp), y = (column) => column.map(degrees);
  const edge = { type: "scatter", mode: "lines", x, hoverinfo: "skip", line: { width: 0 }, name: "forecast" };
  return [
    { ...edge, y: y(fan.low) },
    { ...edge, y: y(fan.high), fill: "tonexty", fillcolor: faint(colour) },
    { ...edge, y: y(fan.mid), line: { color: colour, width: 2, dash: "dot" } },
  ];
}

/** The colour with a quarter of its strength. */
export const faint = (colour) => (/^#[0-9a-f]{6}$/i.test(colour ?? "") ? `${colour}40` : "rgba(128, 128, 128, .25)");
