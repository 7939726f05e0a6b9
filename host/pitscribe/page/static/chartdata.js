// What the chart draws: the whole cook, kept up to date by what is new, and the part of it that is zoomed into.
// Data come decimated from the host (least and greatest of each bucket), so that no extreme is lost.

import { get } from "./api.js";

const KEY = "pitscribe.band";
let band = false;
try { band = localStorage.getItem(KEY) === "yes"; } catch { /* storage may be forbidden: then without */ }

/**
 * whole: {cook, width, from, to, next, kept, places: [{place, kind, t, c, b?}], spread: {t, c}}; detail: the same for
 * the part shown, finer, or null; shown: null for all, {span}: the last so many seconds, {from, to}; band: whether the
 * uncertainty of each point (b, K) is asked for, which is kept in this browser.
 */
export const held = { whole: null, detail: null, shown: null, band };

/** Ask for the uncertainty from now on, or do so no more. */
export function wantBand(wanted) {
  held.band = wanted;
  try { localStorage.setItem(KEY, wanted ? "yes" : "no"); } catch { /* kept for this page only */ }
}

/** The part of the cook that is shown, {from, to}; null: all. */
export function range() {
  if (!held.shown || !held.whole) return null;
  if (held.shown.span) return { from: held.whole.to - held.shown.span, to: held.whole.to };
  return held.shown;
}

/** The data that are drawn where both have them: the finer ones. */
export const drawn = () => held.detail ?? held.whole;

function extend(into, add, after) {
  let n = into.t.length;
  while (n && into.t[n - 1] >= after) n--;
  for (const column of ["t", "c", ...(into.b ? ["b"] : [])]) {
    into[column].length = n;
    for (const v of add[column]) into[column].push(v);
  }
}

/** The host sends all (`full`) unless what it sent before still stands as it was; then only the rest. */
function merge(old, news) {
  if (news.full) return news;
  news.places.forEach((p, k) => extend(old.places[k], p, news.after));
  extend(old.spread, news.spread, news.after);
  const { from, to, next, kept } = news;
  return Object.assign(old, { from, to, next, kept });
}

/** Ask the host for what is new of a cook, and for the part shown. */
export async function bring(cook) {
  if (held.whole?.cook !== cook) held.whole = null;
  const old = held.whole;
  const known = old ? `&after=${old.next}&width=${old.width}&kept=${old.kept}` : "", what = `cook=${cook}${held.band ? "&band=1" : ""}`;
  held.whole = merge(old, await get(`/api/chart?${what}${known}`));
  held.whole.cook = cook;
  const r = range();
  const fine = r && r.to - r.from < 0.7 * (held.whole.to - held.whole.from);
  held.detail = fine ? await get(`/api/chart?${what}&from=${r.from}&to=${r.to}`) : null;
}
