// Ending a cook and reopening one: both ask first, and an end says when it was.

import { send } from "./api.js";
import { clock, fromField, toField } from "./units.js";

const $ = (id) => document.getElementById(id);
const FORGOTTEN_S = 600; // nothing read for so long: the cook most likely ended when the readings did

const chosen = () => document.querySelector('#end-form [name="end"]:checked').value;

function openEnd(view) {
  const { newest } = view.snap, form = $("end-form");
  const old = newest !== null && newest !== undefined && view.now - newest > FORGOTTEN_S;
  form.querySelector(".wrong").textContent = "";
  form.querySelector('[value="last"]').disabled = newest === null || newest === undefined;
  $("end-last").textContent = newest ? `, ${clock(newest, view.now)}` : "";
  $("end-at").value = toField(old ? newest : view.now);
  form.querySelector(`[value="${old ? "last" : "now"}"]`).checked = true;
  $("end-dialog").showModal();
}

/** {at} as the person chose, {} for now; throws words where that is no time. */
function endOf(view) {
  const way = chosen();
  if (way === "now") return {};
  const at = way === "last" ? view.snap.newest : fromField($("end-at").value);
  if (!Number.isFinite(at)) throw new Error("Say at which time it ended.");
  return { at };
}

export function wireEnds(view) {
  const end = $("end-dialog"), again = $("reopen-dialog");
  for (const dialog of [end, again]) dialog.querySelector('[data-act="cancel"]').addEventListener("click", () => dialog.close());
  $("end-cook").addEventListener("click", () => openEnd(view));
  $("end-at").addEventListener("input", () => { $("end-form").querySelector('[value="at"]').checked = true; });
  $("end-form").addEventListener("submit", async (e) => {
    e.preventDefault();
    // The news that no cook runs may come before the answer does.
    const { id } = view.snap.cook;
    try {
      await send("POST", `/api/cooks/${id}/end`, endOf(view));
      location.assign(`/cook/${id}`);
    } catch (error) { end.querySelector(".wrong").textContent = error.message; }
  });
  $("reopen-cook").addEventListener("click", () => {
    const { cook } = view.snap;
    $("reopen-words").textContent = `${cook.name} ended at ${clock(cook.ended, view.now)}. Reopened, it has no end: whatever its channels read from then on counts as its own, until it is ended again.`;
    again.querySelector(".wrong").textContent = "";
    again.showModal();
  });
  $("reopen-form").addEventListener("submit", async (e) => {
    e.preventDefault();
    try { await send("POST", `/api/cooks/${view.snap.cook.id}/reopen`); location.assign("/"); }
    catch (error) { again.querySelector(".wrong").textContent = error.message; }
  });
}
