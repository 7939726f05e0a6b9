// One cook, live or past: asks the host, listens to it, and hands each snapshot to those who show it.

import { get, send, listen } from "./api.js";
import { showAnswers, say, el } from "./answers.js";
import { wireNotes, showNotes } from "./notes.js";
import { follow, redraw, stylesOf, wireChart } from "./chart.js";
import { wireUnits, onUnit, toCelsius, dayClock } from "./units.js";

const $ = (id) => document.getElementById(id);
const asked = location.pathname.match(/^\/cook\/(\d+)$/)?.[1] ?? null;
const view = { snap: null, now: 0, contact: true, past: false };

function show(chart = true) {
  const { snap } = view;
  if (!snap) return;
  view.past = snap.cook !== null && snap.cook.ended !== null;
  $("cook-view").hidden = snap.cook === null;
  $("start-view").hidden = snap.cook !== null;
  startShown &&= snap.cook === null; // it is read anew the next time
  showAnswers(view, stylesOf(snap.places));
  if (snap.cook === null) { document.title = "Pitscribe"; showStart(); return; }
  showNotes(view);
  say(view);
  if (chart) follow(view);
}

function take(snap) {
  // A page that shows one cook leaves snapshots of another alone, and its own clock goes on.
  view.now = Math.max(view.now, snap.now);
  if (asked !== null && String(snap.cook?.id) !== asked) return;
  // Whoever watched a cook that has ended meanwhile goes on looking at it.
  if (asked === null && snap.cook === null && view.snap?.cook) { location.replace(`/cook/${view.snap.cook.id}`); return; }
  view.snap = snap;
  show();
}

async function fetchSnapshot() {
  try {
    const snap = await get(asked === null ? "/api/snapshot" : `/api/snapshot?cook=${asked}`);
    take(snap);
  } catch (e) {
    if (!view.snap) $("troubles").replaceChildren(el("p", `The host does not tell: ${e.message}`, { class: "trouble bad" }));
  }
}

function wireLive() {
  listen({
    snapshot: take,
    beat: ({ now }) => { view.now = Math.max(view.now, now); show(false); },
    contact: (there) => { view.contact = there; show(false); if (there) fetchSnapshot(); },
  });
}

function wireEnd() {
  const dialog = $("end-dialog"), wrong = dialog.querySelector(".wrong");
  $("end-cook").addEventListener("click", () => { wrong.textContent = ""; dialog.showModal(); });
  dialog.querySelector('[data-act="cancel"]').addEventListener("click", () => dialog.close());
  $("end-form").addEventListener("submit", async (e) => {
    e.preventDefault();
    // The news that no cook runs may come before the answer does.
    const { id } = view.snap.cook;
    try {
      await send("POST", `/api/cooks/${id}/end`);
      location.assign(`/cook/${id}`);
    } catch (error) { wrong.textContent = error.message; }
  });
  $("reopen-cook").addEventListener("click", async () => {
    try { await send("POST", `/api/cooks/${view.snap.cook.id}/reopen`); location.assign("/"); }
    catch (error) { $("troubles").append(el("p", error.message, { class: "trouble bad" })); }
  });
}

// Starting a cook: name, target, and which channel is where.
let startShown = false;
async function showStart() {
  if (startShown) return;
  startShown = true;
  showLast();
  const box = $("start-channels");
  let loggers = [];
  try { loggers = (await get("/api/loggers")).loggers; } catch (e) { $("start-error").textContent = e.message; }
  const rows = loggers.flatMap((l) => l.channels.map((c) => channelRow(l, c)));
  box.replaceChildren(...(rows.length ? rows : [el("p", "No logger has spoken yet. Start all the same, and say where the probes are with: pitscribe cook place", { class: "quiet" })]));
}

/** A cook that has just ended is what most who come here look for. */
async function showLast() {
  try {
    const [last] = (await get("/api/cooks")).cooks;
    if (!last) return;
    $("start-last").replaceChildren("The last one: ", el("a", last.name, { href: `/cook/${last.id}` }), `, ended ${dayClock(last.ended)}.`);
  } catch { /* the list of cooks has its own page */ }
}

function channelRow(logger, channel) {
  const name = `${logger.name || logger.logger}, channel ${channel.channel} (type ${channel.tc})`;
  const row = el("div", null, { class: "channel", "data-logger": logger.logger, "data-channel": channel.channel });
  const place = el("input", null, { "aria-label": `Place of ${name}`, maxlength: 40, placeholder: "not in use", name: "place" });
  const kind = el("select", null, { "aria-label": `Kind of place of ${name}`, name: "kind" });
  kind.append(el("option", "in the meat", { value: "meat" }), el("option", "in the air", { value: "air" }));
  row.append(el("span", name), place, kind);
  return row;
}

function wireStart() {
  $("start-form").addEventListener("submit", async (e) => {
    e.preventDefault();
    const wrong = $("start-error"), typed = $("start-target").value.trim().replace(",", ".");
    wrong.textContent = "";
    if (typed && !Number.isFinite(Number(typed))) { wrong.textContent = `The target ${typed} is not a number.`; return; }
    const places = [...document.querySelectorAll(".channel")].filter((r) => r.querySelector("input").value.trim()).map((r) => ({
      logger: r.dataset.logger, channel: Number(r.dataset.channel), place: r.querySelector("input").value.trim(), kind: r.querySelector("select").value,
    }));
    try {
      await send("POST", "/api/cooks", { name: $("start-name").value.trim(), target_c: typed ? toCelsius(Number(typed)) : null, places });
      await fetchSnapshot();
    } catch (error) { wrong.textContent = error.message; }
  });
}

$(asked === null ? "nav-live" : "main").setAttribute(...(asked === null ? ["aria-current", "page"] : ["data-cook", asked]));
wireUnits();
onUnit(() => { show(false); redraw(); });
wireNotes({ view: () => view, changed: fetchSnapshot });
wireChart();
wireEnd();
wireStart();
await fetchSnapshot();
wireLive();
