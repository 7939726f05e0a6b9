// The chart's time axis: wall time by the cook's one offset, with the day named where it begins.

import { wall, fromWall, clock, weekday } from "./units.js";

const STEPS_S = [5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 14400, 21600, 43200, 86400, 172800, 604800];

// Plotly takes a text without a zone as it stands, while a number would be turned to the browser's local time, which
// jumps where the clocks change.
/** A UTC time (s) as Plotly is to draw it. */
export const stamp = (t) => new Date(wall(t) * 1000).toISOString().slice(0, -1);

/** From what Plotly says of its axis (it may leave out the time of day, or its end) to UTC s. */
export function fromStamp(v) {
  const text = String(v).trim().replace(" ", "T");
  return fromWall(Date.parse(`${text.includes("T") ? text : `${text}T00:00`}Z`) / 1000);
}

/** At most about `most` ticks from `from` to `to`: {tickvals, ticktext}. A midnight bears its day; so does the first
 * tick, where no midnight is in sight and `days` says that the cook goes over one. */
export function ticks(from, to, most, days) {
  const step = STEPS_S.find((s) => (to - from) / s <= most) ?? STEPS_S.at(-1);
  const tickvals = [], ticktext = [];
  let named = false;
  for (let w = Math.ceil(wall(from) / step) * step; w <= wall(to); w += step) {
    const t = fromWall(w), midnight = w % 86400 === 0;
    tickvals.push(stamp(t));
    ticktext.push(midnight ? `<b>${weekday(t)}</b>` : step < 60 ? `${clock(t)}:${String(w % 60).padStart(2, "0")}` : clock(t));
    named ||= midnight;
  }
  if (days && !named && ticktext.length) ticktext[0] = `${weekday(from)} ${ticktext[0]}`;
  return { tickvals, ticktext };
}
