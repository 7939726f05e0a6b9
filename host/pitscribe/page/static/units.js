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

const two = (n) => String(n).padStart(2, "0");
/** Clock time of a UTC time (s), here. */
export function clock(t) { const d = new Date(t * 1000); return `${two(d.getHours())}:${two(d.getMinutes())}`; }
/** Day and clock time. */
export function dayClock(t) {
  const d = new Date(t * 1000);
  return `${d.toLocaleDateString(undefined, { weekday: "short", day: "numeric", month: "short", year: "numeric" })}, ${clock(t)}`;
}
/** For <input type=datetime-local>, and back. */
export function toField(t) {
  const d = new Date(t * 1000);
  return `${d.getFullYear()}-${two(d.getMonth() + 1)}-${two(d.getDate())}T${two(d.getHours())}:${two(d.getMinutes())}`;
}
export const fromField = (text) => new Date(text).getTime() / 1000;

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
