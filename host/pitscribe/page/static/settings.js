// What is wanted of a cook: read from a form when it starts, and changed at any time after.

import { send } from "./api.js";
import { degrees, temp, toCelsius, unitName } from "./units.js";

const $ = (id) => document.getElementById(id);
const TARGET_C = [30, 100], BAND_C = [10, 400]; // the ledger's bounds

/** degC from what was typed, null for nothing; throws words in the person's unit. */
function celsiusOf(typed, [low, high], what, meant) {
  const text = typed.trim().replace(",", ".");
  if (!text) return null;
  const c = toCelsius(Number(text));
  if (!Number.isFinite(c)) throw new Error(`${what} “${typed}” is not a number.`);
  if (c < low - 1e-9 || c > high + 1e-9) throw new Error(`${what} ${typed} ${unitName()} is not from ${degrees(low).toFixed(0)} to ${degrees(high).toFixed(0)} ${unitName()}: ${meant}.`);
  return Math.min(high, Math.max(low, c));
}

export const targetOf = (typed) => celsiusOf(typed, TARGET_C, "The target", "what the inside of the meat is to reach");

/** [low, high] of the fire, null for neither. */
export function bandOf(low, high) {
  const [a, b] = [low, high].map((t) => celsiusOf(t, BAND_C, "The fire at", "where the air at the grate is to be held"));
  if (a === null && b === null) return null;
  if (a === null || b === null) throw new Error("The band of the fire needs both ends, or neither.");
  if (a >= b) throw new Error("The band of the fire must go from less to more.");
  return [a, b];
}

/** The cuts, a line each. */
export const cutsOf = (text) => text.split("\n").map((line) => line.trim()).filter(Boolean);

/** Put what is wanted of a cook into a form's fields ("set" or "start"). */
export function fill(form, cook) {
  $(`${form}-target`).value = cook.target_c === null ? "" : temp(cook.target_c);
  for (const [end, i] of [["low", 0], ["high", 1]]) $(`${form}-${end}`).value = cook.band_c ? temp(cook.band_c[i]) : "";
  $(`${form}-cuts`).value = cook.meats.join("\n");
}

/** The dialog that changes them; `changed()` shows the cook anew. */
export function wireSettings(view, changed) {
  const dialog = $("set-dialog"), wrong = dialog.querySelector(".wrong");
  $("set-cook").addEventListener("click", () => {
    const { cook } = view.snap;
    wrong.textContent = "";
    $("set-name").value = cook.name;
    fill("set", cook);
    $("set-kind").value = cook.meat_kind ?? "";
    dialog.showModal();
  });
  dialog.querySelector('[data-act="cancel"]').addEventListener("click", () => dialog.close());
  $("set-form").addEventListener("submit", async (e) => {
    e.preventDefault();
    wrong.textContent = "";
    try {
      await send("PATCH", `/api/cooks/${view.snap.cook.id}`, {
        name: $("set-name").value.trim(), target_c: targetOf($("set-target").value), band_c: bandOf($("set-low").value, $("set-high").value),
        meats: cutsOf($("set-cuts").value), meat_kind: $("set-kind").value || null,
      });
      dialog.close();
      await changed();
    } catch (error) { wrong.textContent = error.message; }
  });
}
