// Notes: one tap each, undo, change, withdraw; and the same list in words.

import { send, Refused } from "./api.js";
import { el } from "./el.js";
import { effectWords } from "./effects.js";
import { keep, kept, drop, known } from "./kept.js";
import { clock, fromField, reference, toField } from "./units.js";

const $ = (id) => document.getElementById(id);
export const KINDS = ["wrap", "rotate", "spritz", "fuel", "lid", "ice", "boat", "pan", "pull", "hold", "unwrap"];
const COVERS = ["wrap", "boat", "pan"]; // after one of these something can be unwrapped
const ONCE_MS = 2000; // a second tap of the same kind within this is a slip of the finger
const DAY_S = 86400;
let context = null; // {view(), changed()}
let toastTimer = 0;
let last = { what: "", at: -Infinity };
let edited = null; // the note in the dialog, as it was

const words = (note) => `${note.kind === "text" ? note.text : note.kind}, ${clock(note.at, reference(context.view()))}`;

/** An answer at the foot of the screen, with what can be done about it: {label: work}. */
export function toast(text, acts = {}, wrong = false) {
  const box = $("toast");
  clearTimeout(toastTimer);
  box.className = wrong ? "wrong" : "";
  box.replaceChildren(el("span", text));
  for (const [label, work] of Object.entries(acts)) {
    const b = el("button", label, { type: "button" });
    b.addEventListener("click", async () => { b.disabled = true; await work(); });
    box.append(b);
  }
  toastTimer = setTimeout(() => { if (!box.contains(document.activeElement)) box.replaceChildren(); }, 20000);
}

const buttonOf = (kind) => document.querySelector(`#tap-buttons [data-kind="${kind}"]`);
/** To the button of this kind, if it is to be seen; else to the heading of the notes. */
function focusKind(kind) {
  const b = buttonOf(kind);
  (b && !b.hidden ? b : $("notes-h")).focus({ preventScroll: true });
}
function mark(kind) {
  const b = buttonOf(kind);
  if (!b) return;
  b.classList.add("noted");
  setTimeout(() => b.classList.remove("noted"), 4000);
}

/** What is wrong with a time for a note of this cook, in words; else nothing. */
function wrongTime(at) {
  const view = context.view(), { cook } = view.snap, end = cook.ended ?? view.now;
  if (!Number.isFinite(at)) return "say when it was: the time is empty or cannot be read";
  if (at >= cook.started - DAY_S && at <= end + DAY_S) return "";
  const [from, to] = [cook.started - DAY_S, end + DAY_S].map((t) => `${clock(t, view.now)}`);
  return `${clock(at, view.now)} is not in this cook: give a time from ${from} to ${to}`;
}

/** {ago_s} or {at} as chosen, {} for now; throws words for what is no time of this cook. */
function when() {
  const view = context.view();
  if (!view.past) {
    const ago = Number($("note-when").value);
    return ago ? { ago_s: ago } : {};
  }
  const at = fromField($("note-at").value), wrong = wrongTime(at);
  if (wrong) throw new Refused(wrong);
  return { at };
}

/** Take a note away, and offer it back: it has another number then, and all else of it. */
async function remove(note) {
  await send("DELETE", `/api/notes/${note.id}`);
  last.what = "";
  const { kind, text, at } = note, { id } = context.view().snap.cook;
  toast(`Withdrawn: ${words(note)}`, { "Put back": () => back(() => send("POST", `/api/cooks/${id}/notes`, { kind, text, at }), `Noted: ${words(note)}`) });
}

/** Undo what was done to a note, and say so. */
async function back(work, said) {
  try { await work(); toast(said); } catch (e) { toast(e.message, {}, true); }
  await context.changed();
}

async function withdraw(note) {
  try { await remove(note); } catch (e) { toast(e.message, {}, true); }
  await context.changed();
  focusKind(note.kind);
}

async function add(kind, text) {
  const view = context.view(), { cook } = view.snap;
  let time = {};
  try {
    time = when();
    const what = JSON.stringify([kind, text, time]);
    if (what === last.what && performance.now() - last.at < ONCE_MS) return true;
    last = { what, at: performance.now() };
    const note = await send("POST", `/api/cooks/${cook.id}/notes`, { kind, text, ...time });
    last.at = performance.now();
    $("note-when").value = "0";
    mark(kind);
    toast(`Noted: ${words(note)}`, { Undo: () => withdraw(note) });
    context.changed();
    return true;
  } catch (e) {
    last.what = "";
    const note = { cook: cook.id, kind, text, at: time.at ?? view.now - (time.ago_s ?? 0) };
    if (e.unheard && keep(note)) {
      toast(`Not sent: ${e.message}. Kept here: ${words(note)}`, {}, true);
      showKept();
      return true;
    }
    toast(`Not noted: ${e.message}`, {}, true);
    return false;
  }
}

/** What waits to be sent, with its buttons. */
function showKept() {
  const view = context.view(), mine = kept().filter((n) => n.cook === view.snap?.cook?.id);
  const box = $("kept"), key = JSON.stringify([mine, view.contact]);
  if (box.dataset.shown === key) return;
  box.dataset.shown = key;
  box.hidden = !mine.length;
  if (!mine.length) { box.replaceChildren(); return; }
  const go = el("button", "Send", { type: "button" }), forget = el("button", "Let go", { type: "button" });
  go.disabled = !view.contact;
  go.addEventListener("click", sendKept);
  forget.addEventListener("click", () => { mine.forEach(drop); showKept(); });
  box.replaceChildren(el("span", `Not sent yet: ${mine.map(words).join("; ")}`), go, forget);
}

async function sendKept() {
  const { snap } = context.view(), mine = kept().filter((n) => n.cook === snap.cook.id);
  try {
    for (const note of mine) {
      const { cook, kind, text, at } = note;
      if (!known(note, snap.notes)) await send("POST", `/api/cooks/${cook}/notes`, { kind, text, at });
      drop(note);
    }
    toast(`Noted: ${mine.map(words).join("; ")}`);
  } catch (e) { toast(`Not sent: ${e.message}`, {}, true); }
  showKept();
  context.changed();
}

/** Contact is there (again): say so if notes wait for it. */
export function offerKept() {
  if (!context.view().snap?.cook) return;
  showKept();
  const n = kept().filter((k) => k.cook === context.view().snap.cook.id).length;
  if (n) toast(`There is contact again: ${n} ${n === 1 ? "note waits" : "notes wait"} to be sent.`, { Send: sendKept });
}

/** The button of a note, or the heading of the list if it is not there any more. */
function focusNote(id) {
  (document.querySelector(`#notes [data-note="${id}"]`) ?? $("notes-h")).focus();
}

function wireEdit() {
  const dialog = $("note-dialog"), form = $("note-edit"), wrong = form.querySelector(".wrong");
  $("edit-kind").replaceChildren(...[...KINDS, "text"].map((k) => el("option", k === "text" ? "free text" : k, { value: k })));
  const done = async (work) => {
    try {
      await work();
      dialog.close();
      await context.changed();
      focusNote(form.dataset.id);
    } catch (e) { wrong.textContent = e.message; }
  };
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    const body = { kind: $("edit-kind").value, text: $("edit-text").value.trim() };
    if (body.kind === "text" && !body.text) { wrong.textContent = "Write what there is to say, or choose another kind."; return; }
    // A time that was not touched keeps its seconds.
    if ($("edit-at").value !== form.dataset.at) {
      body.at = fromField($("edit-at").value);
      wrong.textContent = wrongTime(body.at);
      if (wrong.textContent) return;
    }
    done(() => change(edited, body));
  });
  form.querySelector('[data-act="remove"]').addEventListener("click", () => done(() => remove(edited)));
  form.querySelector('[data-act="cancel"]').addEventListener("click", () => { dialog.close(); focusNote(form.dataset.id); });
}

/** Change a note, and offer it as it was. */
async function change(old, body) {
  const { kind, text, at, id } = old, now = await send("PATCH", `/api/notes/${id}`, body);
  toast(`Changed: ${words(now)}`, { Undo: () => back(() => send("PATCH", `/api/notes/${id}`, { kind, text, at }), `As it was: ${words(old)}`) });
}

export function openNote(note) {
  const form = $("note-edit");
  edited = note;
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
    b.addEventListener("click", async () => { b.disabled = true; await add(kind, ""); b.disabled = false; focusKind(kind); });
    return b;
  }));
  $("note-form").addEventListener("submit", async (e) => {
    e.preventDefault();
    const field = $("note-text"), text = field.value.trim();
    if (!text) toast("Write what there is to say first.", {}, true);
    else if (await add("text", text)) field.value = "";
  });
  wireEdit();
}

function showWhen(view) {
  const { past } = view;
  $("note-when").hidden = past;
  $("note-at").hidden = !past;
  $("note-when-label").setAttribute("for", past ? "note-at" : "note-when");
  // Once: what the person empties stays empty.
  if (past && !$("note-at").dataset.set) {
    $("note-at").dataset.set = "yes";
    $("note-at").value = toField(view.snap.cook.ended);
  }
}

function row(n, from, did) {
  const li = el("li"), at = clock(n.at, from), what = el("span", null, { class: "what" });
  if (n.kind === "text") what.append(n.text);
  else { what.append(el("b", n.kind)); if (n.text) what.append(` ${n.text}`); }
  if (did) what.append(el("span", did, { class: "did" }));
  const b = el("button", "change", { type: "button", "data-note": n.id, "aria-label": `change note ${n.kind === "text" ? n.text.slice(0, 40) : n.kind}, ${at}` });
  b.addEventListener("click", () => openNote(n));
  li.append(el("time", at, { datetime: new Date(n.at * 1000).toISOString() }), what, b);
  return li;
}

/** Whether the last thing that was done to the cover, notes newest first, was to put one on. */
const isCovered = (notes) => COVERS.includes(notes.find((n) => [...COVERS, "unwrap"].includes(n.kind))?.kind);

/** The list, newest first. */
export function showNotes(view) {
  const notes = [...view.snap.notes].sort((a, b) => b.at - a.at || b.id - a.id);
  const list = $("notes"), from = reference(view);
  const did = notes.map((n) => effectWords(view, n));
  const key = JSON.stringify([view.snap.cook.id, did, notes, notes.map((n) => clock(n.at, from))]);
  $("no-notes").hidden = notes.length > 0;
  list.hidden = notes.length === 0;
  buttonOf("unwrap").hidden = !isCovered(notes);
  showWhen(view);
  showKept();
  if (list.dataset.shown === key) return;
  list.dataset.shown = key;
  const held = list.contains(document.activeElement) ? document.activeElement.dataset.note : null;
  list.classList.toggle("days", notes.some((n) => clock(n.at, from) !== clock(n.at)));
  list.replaceChildren(...notes.map((n, i) => row(n, from, did[i])));
  if (held) focusNote(held);
}
