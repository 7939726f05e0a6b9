// Forms whose refusals are told at the field that is meant; what was typed stays as it is.

import { el } from "./el.js";

let count = 0;

function tell(form, field, words) {
  const box = field && form.querySelector(`[data-field="${CSS.escape(field)}"]`);
  if (!box) { form.querySelector("[data-whole]").textContent = words; return; }
  const control = box.querySelector("input, select"), wrong = el("span", words, { class: "wrong", role: "alert", id: `wrong-${count += 1}` });
  box.append(wrong);
  for (const one of box.querySelectorAll("input, select")) one.setAttribute("aria-invalid", "true");
  control.setAttribute("aria-describedby", wrong.id);
  control.focus();
}

/** Take back what was told of the last try. */
export function clear(form) {
  form.querySelector("[data-whole]").textContent = "";
  for (const wrong of form.querySelectorAll("[data-field] > .wrong")) wrong.remove();
  for (const control of form.querySelectorAll("[aria-invalid]")) {
    control.removeAttribute("aria-invalid");
    control.removeAttribute("aria-describedby");
  }
}

/** Let `work()` do what a form asks for when it is sent, once at a time; `done(made)` shows it. Refusals are told at their fields. */
export function wireForm(form, work, done) {
  let busy = false; // a button that is disabled meanwhile would lose the keyboard's focus
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    if (busy) return;
    busy = true;
    clear(form);
    try {
      const made = await work();
      busy = false; // what comes now only reads
      await done(made);
    } catch (error) { tell(form, error.field, error.message); } finally { busy = false; }
  });
}

/** What was typed as a number; null for nothing, and the text itself for what is none, so that it is refused as such. */
export function numberOf(text) {
  const typed = text.trim().replace(",", ".");
  if (!typed) return null;
  return Number.isFinite(Number(typed)) ? Number(typed) : typed;
}

/** Fill a choice anew, [[value, words], ...]; what was chosen stays chosen if it is still there. */
export function offer(select, options) {
  const before = select.value;
  select.replaceChildren(...options.map(([value, words]) => el("option", words, { value })));
  if (options.some(([value]) => String(value) === before)) select.value = before;
}
