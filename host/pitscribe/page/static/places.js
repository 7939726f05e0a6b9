// Putting right where the probes are: a row for each channel, with its place and kind.

import { get, send } from "./api.js";
import { el } from "./el.js";

const $ = (id) => document.getElementById(id);

const AIR = /\b(grate|firebox|far end|dome|air|pit|smoker|chamber|rack|shelf)\b/i; // common names of places in the air

/** A row for a channel; `held`: what is known of where its probe is, {place, kind, probe}. */
export function rowOf(logger, channel, held) {
  const name = `${logger.name || logger.logger}, channel ${channel.channel}${held?.probe ? `, ${held.probe}` : ` (type ${channel.tc})`}`;
  const row = el("div", null, { class: "channel", "data-logger": logger.logger, "data-channel": channel.channel });
  const place = el("input", null, { "aria-label": `Place of ${name}`, maxlength: 40, placeholder: "not in use", name: "place", list: "place-names" });
  const kind = el("select", null, { "aria-label": `Kind of place of ${name}`, name: "kind" });
  kind.append(el("option", "in the meat", { value: "meat" }), el("option", "in the air", { value: "air" }));
  // A guess by the name, until it is known or the person says it.
  place.addEventListener("input", () => { if (!kind.dataset.said) kind.value = AIR.test(place.value) ? "air" : "meat"; });
  kind.addEventListener("change", () => { kind.dataset.said = "yes"; });
  row.append(el("span", name), place, kind);
  if (held) say(row, held);
  return row;
}

/** Put a place and its kind into a row. */
export function say(row, { place, kind }) {
  row.querySelector("input").value = place;
  row.querySelector("select").value = kind;
  row.querySelector("select").dataset.said = "yes";
}

/** What the rows in a box say of the channels in use, as the host takes it. */
export const placesIn = (box) => [...box.querySelectorAll(".channel")].filter((r) => r.querySelector("input").value.trim()).map((r) => ({
  logger: r.dataset.logger, channel: Number(r.dataset.channel), place: r.querySelector("input").value.trim(), kind: r.querySelector("select").value,
}));

/** Wire the dialog; `changed()` shows the cook anew. */
export function wirePlaces(view, changed) {
  const dialog = $("places-dialog"), wrong = dialog.querySelector(".wrong");
  $("set-places").addEventListener("click", async () => {
    wrong.textContent = "";
    try {
      const [{ places }, { loggers }] = await Promise.all([get(`/api/cooks/${view.snap.cook.id}/places`), get("/api/loggers")]);
      const held = (l, n) => places.find((p) => p.logger === l && p.channel === n);
      // A logger that has said nothing yet, or not of this channel, is known by what it holds.
      const known = loggers.map((l) => ({ ...l, channels: l.channels.map((c) => c.channel) }));
      const rest = places.filter((p) => !known.some((l) => l.logger === p.logger && l.channels.includes(p.channel)));
      $("places-rows").replaceChildren(
        ...loggers.flatMap((l) => l.channels.map((c) => rowOf(l, c, held(l.logger, c.channel)))),
        ...rest.map((p) => rowOf({ logger: p.logger }, { channel: p.channel }, p)),
      );
    } catch (e) { wrong.textContent = e.message; }
    dialog.showModal();
  });
  dialog.querySelector('[data-act="cancel"]').addEventListener("click", () => dialog.close());
  $("places-form").addEventListener("submit", async (e) => {
    e.preventDefault();
    wrong.textContent = "";
    try {
      await send("PUT", `/api/cooks/${view.snap.cook.id}/places`, { places: placesIn($("places-rows")) });
      dialog.close();
      await changed();
    } catch (error) { wrong.textContent = error.message; }
  });
}
