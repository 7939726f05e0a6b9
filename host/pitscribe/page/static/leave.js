// The way out, where the page has a password: it asks first, for a thumb that slips would lock out whoever minds the fire.

import { send } from "./api.js";

const dialog = document.getElementById("leave-dialog"), form = dialog.querySelector("form");
document.getElementById("leave").addEventListener("click", () => dialog.showModal());
form.querySelector('[data-act="cancel"]').addEventListener("click", () => dialog.close());
form.addEventListener("submit", async (e) => {
  e.preventDefault();
  try {
    await send("POST", "/api/leave");
    location.assign("/enter");
  } catch (error) { form.querySelector(".wrong").textContent = error.message; }
});
