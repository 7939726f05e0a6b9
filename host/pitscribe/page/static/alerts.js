// Alerts: what was told of this cook, that a person knows of it, and quiet for a while.

import { get, send } from "./api.js";
import { el } from "./el.js";
import { clock, onUnit, reading, unitName } from "./units.js";

const QUIETS = [["Quiet for 30 min", 1800], ["for 2 h", 7200], ["Tell again", 0]];
let view = null, box = null, busy = false;

function row(a) {
  const li = el("li"), state = [a.seen && "seen", a.over && "over"].filter(Boolean).join(", "), words = reading(a.words, a.told);
  li.append(el("time", clock(a.told, view.past ? view.snap.cook.started : view.now), { datetime: new Date(a.told * 1000).toISOString() }), ` ${words}`);
  if (state) li.append(el("span", ` (${state})`, { class: "quiet" }));
  else {
    const b = el("button", "I know", { type: "button", class: "plain", "aria-label": `I know: ${words.slice(0, 60)}` });
    b.addEventListener("click", () => act(() => send("POST", `/api/alerts/${a.id}/seen`)));
    li.append(" ", b);
  }
  return li;
}

async function act(work) {
  const said = box.querySelector(".wrong");
  try { await work(); said.textContent = ""; } catch (e) { said.textContent = e.message; return; }
  await fill();
}

async function fill() {
  if (!box.open || busy || !view.snap.cook) return;
  busy = true;
  try {
    const { alerts, quiet_until: quiet } = await get(`/api/cooks/${view.snap.cook.id}/alerts`);
    const key = JSON.stringify([alerts, quiet, unitName()]);
    if (box.dataset.shown === key) return;
    box.dataset.shown = key;
    const list = el("ul", null, { class: "acts" });
    list.append(...[...alerts].reverse().map(row));
    const buttons = view.past ? [] : QUIETS.filter(([, s]) => s > 0 || quiet !== null).map(([text, s]) => {
      const b = el("button", text, { type: "button" });
      b.addEventListener("click", () => act(() => send("POST", "/api/alerts/quiet", { for_s: s })));
      return b;
    });
    const line = el("p", null, { class: "row" });
    line.append(...buttons);
    box.querySelector("div").replaceChildren(
      alerts.length ? list : el("p", "Nothing has been told of this cook.", { class: "quiet small" }),
      ...(quiet === null ? [] : [el("p", `Quiet until ${clock(quiet, view.now)}; what still holds then is told then.`, { class: "small" })]),
      line, el("p", "", { class: "wrong", role: "alert" }),
      el("p", "Each is told once. Where they are sent is said in pitscribe.toml, [alerts].", { class: "quiet small" }),
    );
  } catch { /* told elsewhere: no contact */ } finally { busy = false; }
}

/** Bring the fold up to date while it is open. */
export function showAlerts(now) {
  view = now;
  if (box?.open) fill();
}

/** Wire the fold. */
export function wireAlerts() {
  box = document.querySelector('#details [data-of="alerts"]');
  box.addEventListener("toggle", () => { if (view) fill(); });
  onUnit(() => { if (view) fill(); });
}
