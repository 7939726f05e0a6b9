// Starting a cook: name, target, and which channel is where.

import { get, send } from "./api.js";
import { el } from "./el.js";
import { toast } from "./notes.js";
import { placesIn, rowOf, say } from "./places.js";
import { bandOf, cutsOf, fill, targetOf } from "./settings.js";
import { dayClock, onUnit, temp, unitName } from "./units.js";

const $ = (id) => document.getElementById(id);
const READ_EVERY_MS = 5000;
let shown = false, loggers = [];

/** Show the form's channels, once each time the form is opened. */
export async function showStart() {
  if (shown) return;
  shown = true;
  showLast();
  await readLoggers();
  $("start-channels").replaceChildren();
  showChannels();
}

/** A row for each channel that has none yet: a logger may speak, or tell of a channel, while the form is open. */
function showChannels() {
  const box = $("start-channels"), has = (l, c) => box.querySelector(`[data-logger="${l.logger}"][data-channel="${c.channel}"]`);
  const rows = loggers.flatMap((l) => l.channels.filter((c) => !has(l, c)).map((c) => channelRow(l, c)));
  if (rows.length) box.querySelector("p")?.remove();
  box.append(...rows);
  if (!box.children.length) box.append(el("p", "No logger has spoken yet; its channels come here when it does. Start all the same, and say later where the probes are.", { class: "quiet" }));
  showReadings();
}

async function readLoggers() {
  try { ({ loggers } = await get("/api/loggers")); } catch (e) { $("start-error").textContent = e.message; }
}

/** A cook that has just ended is what most who come here look for, or want to do again. */
async function showLast() {
  try {
    const [last] = (await get("/api/cooks?page=1")).cooks;
    if (!last) return;
    const again = el("button", "Set up the same", { type: "button", class: "plain" });
    again.addEventListener("click", () => asBefore(last));
    $("start-last").replaceChildren("The last one: ", el("a", last.name, { href: `/cook/${last.id}` }), `, ended ${dayClock(last.ended)}. `, again);
  } catch { /* the list of cooks has its own page */ }
}

/** Fill in the target, the band, the cuts and the places of an earlier cook, but for its name. */
async function asBefore(cook) {
  try {
    const { places } = await get(`/api/cooks/${cook.id}/places`);
    fill("start", cook);
    for (const row of $("start-channels").querySelectorAll(".channel")) {
      const held = places.find((p) => p.logger === row.dataset.logger && p.channel === Number(row.dataset.channel));
      if (held) say(row, held); else row.querySelector("input").value = "";
    }
    $("start-name").focus();
  } catch (e) { $("start-error").textContent = e.message; }
}

function channelRow(logger, channel) {
  const row = rowOf(logger, channel);
  row.firstChild.append(el("br"), el("b", "", { "data-reading": "" }));
  return row;
}

function showReadings() {
  for (const row of $("start-channels").querySelectorAll(".channel")) {
    const channel = loggers.find((l) => l.logger === row.dataset.logger)?.channels.find((c) => c.channel === Number(row.dataset.channel));
    const c = channel?.celsius;
    row.querySelector("[data-reading]").textContent = c === undefined ? "" : c === null ? "no reading" : `${temp(c)} ${unitName()} now`;
  }
}

/** `started()` shows the new cook. */
export function wireStart(started) {
  $("start-form").addEventListener("submit", async (e) => {
    e.preventDefault();
    const wrong = $("start-error");
    wrong.textContent = "";
    try {
      const cook = await send("POST", "/api/cooks", {
        name: $("start-name").value.trim(), target_c: targetOf($("start-target").value), band_c: bandOf($("start-low").value, $("start-high").value),
        meats: cutsOf($("start-cuts").value), places: placesIn($("start-channels")),
      });
      shown = false; // it is read anew the next time
      await started();
      $("cook-name").focus();
      if (cook.words) toast(`Started; ${cook.words}.`); // another cook loses channels to it
    } catch (error) { wrong.textContent = error.message; }
  });
  onUnit(showReadings);
  setInterval(async () => {
    if (!shown || $("start-view").hidden || document.hidden) return;
    try { ({ loggers } = await get("/api/loggers")); showChannels(); } catch { /* told elsewhere */ }
  }, READ_EVERY_MS);
}
