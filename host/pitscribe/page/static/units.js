// Degrees and times as a person reads them. Inside everything is degC and seconds UTC; the unit chosen here is kept.

const KEY = "pitscribe.unit";
let unit = "F";
try { unit = localStorage.getItem(KEY) === "C" ? "C" : "F"; } catch { /* storage may be forbidden: then F */ }
const listeners = [];

export const unitName = () => `°${unit}`;
export const isF = () => unit === "F";

/** A temperature in the chosen unit, as a number. */
export const degrees = (c) => (unit === "F" ? c * 1.8 + 32 : c);
/** A difference or a rate (K, K per hour) in the chosen unit. */
export const difference = (k) => (unit === "F" ? k * 1.8 : k);
/** From what was typed in the chosen unit to degC. */
export const toCelsius = (x) => (unit === "F" ? (x - 32) / 1.8 : x);

const fixed = (x, digits) => x.toFixed(digits).replace("-", "−").replace(/^−(0(\.0+)?)$/, "$1");
export const temp = (c, digits = 0) => (c === null || c === undefined ? "–" : fixed(degrees(c), digits));
export const delta = (k, digits = 0) => (k === null || k === undefined ? "–" : fixed(difference(k), digits));
export const signed = (k, digits = 0) => {
  if (k === null || k === undefined) return "–";
  const text = delta(k, digits);
  return /^[−0]/.test(text) && !/[1-9]/.test(text) ? text : (text.startsWith("−") ? text : `+${text}`);
};

/** A span in seconds, in words. */
export function span(s) {
  s = Math.max(0, Math.round(s));
  if (s < 90) return `${s} s`;
  const min = Math.round(s / 60);
  if (min < 60) return `${min} min`;
  const h = Math.floor(min / 60);
  if (h < 48) return min % 60 ? `${h} h ${min % 60} min` : `${h} h`;
  return `${Math.round(h / 24)} days`;
}

// One offset from UTC for all times of a cook: the browser's at its start. In the night in which the clocks change, local
// time would jump, and a line drawn by it would run back.
let offset = null;
const offsetAt = (t) => -60 * new Date(t * 1000).getTimezoneOffset();
/** Show all times by the browser's clock as it is at `t`. */
export const fixOffset = (t) => { offset = offsetAt(t); };
/** Seconds that a clock on the wall shows, counted as if it were in UTC. */
export const wall = (t) => t + (offset ?? offsetAt(t));
/** The UTC time at which the wall clock shows `w`. */
export const fromWall = (w) => w - (offset ?? offsetAt(w - offsetAt(w)));
/** "UTC−5" if the browser's clock does not keep the cook's offset from `from` to `to`; else nothing. */
export function clocksChange(from, to) {
  if (offsetAt(from) === offsetAt(to)) return "";
  const min = Math.abs(offset ?? offsetAt(from)) / 60;
  return `UTC${(offset ?? offsetAt(from)) < 0 ? "−" : "+"}${Math.floor(min / 60)}${min % 60 ? `:${two(min % 60)}` : ""}`;
}

const two = (n) => String(n).padStart(2, "0");
const dated = (how) => new Intl.DateTimeFormat(undefined, { ...how, timeZone: "UTC" });
const WEEKDAY = dated({ weekday: "short" }), DAY = dated({ day: "numeric", month: "short" });
const WHOLE_DAY = dated({ weekday: "short", day: "numeric", month: "short", year: "numeric" });
const onWall = (t) => new Date(wall(t) * 1000);
export const weekday = (t) => WEEKDAY.format(onWall(t));
/** Clock time of a UTC time (s), with the day if `reference` lies on another one. */
export function clock(t, reference) {
  const d = onWall(t), time = `${two(d.getUTCHours())}:${two(d.getUTCMinutes())}`;
  if (reference === undefined || reference === null) return time;
  const days = Math.abs(Math.floor(wall(t) / 86400) - Math.floor(wall(reference) / 86400));
  return days === 0 ? time : `${(days < 6 ? WEEKDAY : DAY).format(d)} ${time}`;
}
/** The analysis's ISO 8601 as UTC s; null for none. */
export const seconds = (iso) => (iso === null || iso === undefined ? null : Date.parse(iso) / 1000);
/** The time whose day goes without saying: that of a past cook's start, or now. */
export const reference = (view) => (view.past ? view.snap.cook.started : view.now);
/** Day and clock time. */
export const dayClock = (t) => `${WHOLE_DAY.format(onWall(t))}, ${clock(t)}`;
/** For <input type=datetime-local>, and back; NaN for what is no time. */
export const toField = (t) => onWall(t).toISOString().slice(0, 16);
export const fromField = (text) => fromWall(Date.parse(`${text}Z`) / 1000);

/** Call `fn` whenever the unit is changed. */
export const onUnit = (fn) => listeners.push(fn);

function show() {
  for (const b of document.querySelectorAll("[data-unit]")) b.setAttribute("aria-pressed", String(b.dataset.unit === unit));
  for (const e of document.querySelectorAll("[data-unit-name]")) e.textContent = unitName();
}

/** Wire the switch in the page's head. */
export function wireUnits() {
  for (const e of document.querySelectorAll(".units")) e.hidden = false;
  for (const b of document.querySelectorAll("[data-unit]")) {
    b.addEventListener("click", () => {
      if (unit === b.dataset.unit) return;
      unit = b.dataset.unit;
      try { localStorage.setItem(KEY, unit); } catch { /* kept for this page only */ }
      show();
      for (const fn of listeners) fn();
    });
  }
  show();
}

const FIGURE = /\{(-?\d+\.\d) ([CK])\}|\{(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ)\}/g;
/** A message kept with its figures in braces, in the chosen unit and by this browser's clock; `near`: a day that goes without saying. */
export const reading = (words, near) => words.replace(FIGURE, (_, x, what, at) =>
  at ? clock(Date.parse(at) / 1000, near) : `${what === "C" ? temp(Number(x)) : delta(Number(x))} ${unitName()}`);
