// Photos of a cook: taken or chosen here, in a strip in order of time, and each large with its words and its time.

import { Refused, send, sendFile } from "./api.js";
import { el } from "./el.js";
import { toast } from "./notes.js";
import { clock, fromField, reference, toField, wall } from "./units.js";

const $ = (id) => document.getElementById(id);
const READ = ["image/jpeg", "image/png"], MOST_BYTES = 20e6, LONGEST_PX = 2048; // what the host takes, and keeps
let view = null, changed = null;
let large = null; // the photo that is shown large

const photos = () => view.snap.photos;
const buttonOf = (id) => document.querySelector(`#photos [data-photo="${id}"]`);
const at = (photo) => clock(photo.at, reference(view));
const named = (photo) => photo.words || `photo of ${at(photo)}`;

/** The file as the host takes it: as it is, or drawn anew by the browser where it is of another kind or too large. */
async function sendable(file) {
  if (READ.includes(file.type) && file.size <= MOST_BYTES) return file;
  let image;
  try { image = await createImageBitmap(file); } catch { throw new Refused("this browser cannot read it as a picture"); }
  const scale = Math.min(1, LONGEST_PX / Math.max(image.width, image.height));
  const canvas = el("canvas", null, { width: Math.round(image.width * scale), height: Math.round(image.height * scale) });
  const draw = canvas.getContext("2d");
  draw.fillStyle = "white";
  draw.fillRect(0, 0, canvas.width, canvas.height);
  draw.drawImage(image, 0, 0, canvas.width, canvas.height);
  return new Promise((done) => { canvas.toBlob(done, "image/jpeg", 0.9); });
}

async function addAll(files) {
  const { cook } = view.snap, east = Math.round((wall(cook.started) - cook.started) / 60), kept = [];
  let wrong = "";
  for (const [i, file] of files.entries()) {
    $("photos-said").textContent = files.length === 1 ? "Sending it …" : `Sending ${i + 1} of ${files.length} …`;
    try {
      kept.push(await sendFile(`/api/cooks/${cook.id}/photos?east_min=${east}`, await sendable(file)));
    } catch (e) {
      wrong ||= `Not kept: ${file.name}: ${e.message}`;
      if (e.unheard) break;
    }
  }
  $("photos-said").textContent = "";
  await changed();
  if (wrong) toast(wrong, {}, true);
  else if (kept.length > 1) toast(`${kept.length} photos kept`);
  if (kept.length === 1 && files.length === 1) open(kept[0], kept[0].told ? "Kept, with the time at which it was taken." : "Kept. It does not say when it was taken: mind the time.");
}

function wireInput(button, input) {
  $(button).addEventListener("click", () => $(input).click());
  $(input).addEventListener("change", async () => {
    const files = [...$(input).files];
    $(input).value = ""; // the same photo may be chosen again
    for (const id of ["photo-take", "photo-choose"]) $(id).disabled = true;
    try { if (files.length) await addAll(files); } finally { for (const id of ["photo-take", "photo-choose"]) $(id).disabled = false; }
  });
}

// the large view

function open(photo, said = "") {
  large = photo;
  const image = $("photo-image"), all = photos(), i = all.findIndex((p) => p.id === photo.id);
  $("photo-dialog-h").textContent = `Photo, ${at(photo)}`;
  Object.assign(image, { src: `/api/photos/${photo.id}/whole.jpg`, width: photo.width, height: photo.height, alt: named(photo) });
  $("photo-said").textContent = said;
  $("photo-words").value = photo.words;
  $("photo-at").value = toField(photo.at);
  for (const [act, there] of [["earlier", i > 0], ["later", i >= 0 && i < all.length - 1]]) button(act).disabled = !there;
  button("erase").textContent = "Erase";
  wrong("");
  if (!$("photo-dialog").open) $("photo-dialog").showModal();
}

const button = (act) => document.querySelector(`#photo-form [data-act="${act}"]`);
const wrong = (text) => { document.querySelector("#photo-form .wrong").textContent = text; };

/** Keep what was typed, if anything was; whether that went well. */
async function keep() {
  const words = $("photo-words").value.trim(), time = $("photo-at").value, body = {};
  if (words !== large.words) body.words = words;
  if (time !== toField(large.at)) { // a time that was not touched keeps its seconds
    body.at = fromField(time);
    if (!Number.isFinite(body.at)) { wrong("Say when it was: the time is empty or cannot be read."); return false; }
  }
  if (!Object.keys(body).length) return true;
  try { large = await send("PATCH", `/api/photos/${large.id}`, body); } catch (e) { wrong(e.message); return false; }
  await changed();
  return true;
}

async function step(by) {
  if (!(await keep())) return;
  const all = photos(), next = all[all.findIndex((p) => p.id === large.id) + by];
  if (next) open(next);
  if (button(by < 0 ? "earlier" : "later").disabled) button("close").focus();
}

/** For good, hence asked for twice. */
async function erase() {
  const b = button("erase");
  if (b.textContent === "Erase") { b.textContent = "Erase it for good"; return; }
  try { await send("DELETE", `/api/photos/${large.id}`); } catch (e) { wrong(e.message); return; }
  await changed();
  $("photo-dialog").close();
  toast("Erased");
}

function wireLarge() {
  const dialog = $("photo-dialog");
  $("photo-form").addEventListener("submit", async (e) => { e.preventDefault(); if (await keep()) dialog.close(); });
  button("earlier").addEventListener("click", () => step(-1));
  button("later").addEventListener("click", () => step(1));
  button("erase").addEventListener("click", erase);
  button("close").addEventListener("click", () => dialog.close());
  $("photo-image").addEventListener("error", () => wrong("The picture cannot be shown: its file is not there, or there is no contact with the host."));
  dialog.addEventListener("close", () => (buttonOf(large.id) ?? $("photos-h")).focus());
}

// the strip

function tile(photo) {
  const li = el("li"), b = el("button", null, { type: "button", "data-photo": photo.id, "aria-label": `Show ${named(photo)}${photo.words ? `, ${at(photo)}` : ""}` });
  const picture = el("img", null, { src: `/api/photos/${photo.id}/small.jpg`, alt: "", loading: "lazy", decoding: "async" });
  b.append(picture, el("time", at(photo), { datetime: new Date(photo.at * 1000).toISOString() }));
  if (photo.words) b.append(el("span", photo.words));
  b.addEventListener("click", () => open(photo));
  li.append(b);
  return li;
}

/** Bring the strip up to date. */
export function showPhotos(now) {
  view = now;
  const list = $("photos"), key = JSON.stringify([photos(), photos().map(at)]);
  if (list.dataset.shown === key) return;
  list.dataset.shown = key;
  list.hidden = !photos().length;
  $("no-photos").hidden = photos().length > 0;
  const held = list.contains(document.activeElement) ? document.activeElement.dataset.photo : null;
  list.replaceChildren(...photos().map(tile));
  if (held) (buttonOf(held) ?? $("photos-h")).focus();
}

/** Wire buttons and the large view. `again()`: ask the host anew. */
export function wirePhotos(again) {
  changed = again;
  wireInput("photo-take", "photo-camera");
  wireInput("photo-choose", "photo-files");
  wireLarge();
}
