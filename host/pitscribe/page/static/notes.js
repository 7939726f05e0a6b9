// Notes: one tap each, undo, change, withdraw; and the same list in words.

import { send } from "./api.js";
import { el } from "./answers.js";
import { clock, toField, fromField } from "./units.js";

const $ = (id) => document.getElementById(id);
export const KINDS = ["wrap", "rotate", "spritz", "fuel", "lid", "ice", "boat", "pan", "pull", "hold"];
let context = null; // {view(), changed()}
let toastTimer = 0;

function toast(text, undo, wrong = false) {
  const box = $("toast");
  clearTimeout(toastTimer);
  box.className = wrong ? "wrong" : "";
  box.replaceChildren(el("span", text));
  if (undo) {
    const b = el("button", "Undo", { type: "button" });
    b.addEventListener("click", async () => { b.disabled = true; await undo(); });
    box.append(b);
  }
  toastTimer = setTimeout(() => { if (!box.contains(document.activeElement)) box.replaceChildren(); }, 20000);
}

function when() {
  const view = context.view();
  if (view.past) return $("note-at").value ? { at: fromField($("note-at").value) } : {};
  const ago = Number($("note-when").value);
  return ago ? { ago_s: ago } : {};
}

async function add(kind, text) {
  const { cook } = context.view().snap;
  try {
    const note = await send("POST", `/api/cooks/${cook.id}/notes`, { kind, text, ...when() });
    $("note-when").value = "0";
    toast(`Noted: ${kind === "text" ? text : kind}, ${clock(note.at)}`, async () => {
      try { await send("DELETE", `/api/notes/${note.id}`); toast("Withdrawn"); } catch (e) { toast(e.message, null, true); }
      context.changed();
    });
    context.changed();
    return true;
  } catch (e) {
    toast(`Not noted: ${e.message}`, null, true);
    return false;
  }
}

function wireEdit() {
  const dialog = $("note-dialog"), form = $("note-edit"), wrong = form.querySelector(".wrong");
  $("edit-kind").replaceChildren(...[...KINDS, "text"].map((k) => el("option", k === "text" ? "free text" : k, { value: k })));
  const done = async (work) => {
    try { await work(); dialog.close(); context.changed(); } catch (e) { wrong.textContent = e.message; }
  };
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    const body = { kind: $("edit-kind").value, text: $("edit-text").value };
    // A time that was not touched keeps its seconds.
    if ($("edit-at").value !== form.dataset.at) body.at = fromField($("edit-at").value);
    done(() => send("PATCH", `/api/notes/${form.dataset.id}`, body));
  });
  form.querySelector('[data-act="remove"]').addEventListener("click", () => done(() => send("DELETE", `/api/notes/${form.dataset.id}`)));
  form.querySelector('[data-act="cancel"]').addEventListener("click", () => dialog.close());
}

export function openNote(note) {
  const form = $("note-edit");
  form.dataset.id = note.id;
  form.dataset.at = toField(note.at);
  $("edit-kind").value = note.kind; $("edit-at").value = form.dataset.at; $("edit-text").value = note.text;
  form.querySelector(".wrong").textContent = "";
  $("note-dialog").showModal();
}

export function wireNotes(ctx) {
  context = ctx;
  $("tap-buttons").replaceChildren(...KINDS.map((kind) => {
    const b = el("button", kind, { type: "button", "data-kind": kind });
    b.addEventListener("click", async () => { b.disabled = true; await add(kind, ""); b.disabled = false; b.focus({ preventScroll: true }); });
    return b;
  }));
  $("note-form").addEventListener("submit", async (e) => {
    e.preventDefault();
    const field = $("note-text");
    if (field.value.trim() && (await add("text", field.value.trim()))) field.value = "";
  });
  wireEdit();
}

/** The list, newest first. */
export function showNotes(view) {
  const notes = [...view.snap.notes].sort((a, b) => b.at - a.at || b.id - a.id);
  const list = $("notes"), key = JSON.stringify([view.snap.cook.id, notes]);
  $("no-notes").hidden = notes.length > 0;
  const past = view.past;
  $("note-when").hidden = past;
  $("note-at").hidden = !past;
  $("note-when").labels[0]?.setAttribute("for", past ? "note-at" : "note-when");
  if (past && !$("note-at").value) $("note-at").value = toField(view.snap.cook.ended ?? view.now);
  if (list.dataset.shown === key) return;
  list.dataset.shown = key;
  list.replaceChildren(...notes.map((n) => {
    const li = el("li");
    const what = el("span", null, { class: "what" });
    if (n.kind === "text") what.append(n.text);
    else { what.append(el("b", n.kind)); if (n.text) what.append(` ${n.text}`); }
    const b = el("button", "change", { type: "button", "aria-label": `Change note ${n.kind === "text" ? n.text.slice(0, 40) : n.kind}, ${clock(n.at)}` });
    b.addEventListener("click", () => openNote(n));
    li.append(el("time", clock(n.at), { datetime: new Date(n.at * 1000).toISOString() }), what, b);
    return li;
  }));
}
