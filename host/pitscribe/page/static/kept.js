// Notes that the host could not take: kept in this browser with their time, until they are sent or let go.

const KEY = "pitscribe.kept";
const SAME_S = 5; // an answer may be lost after the host has written the note down

/** All that are kept: [{cook, kind, text, at}]. */
export function kept() {
  try { return JSON.parse(localStorage.getItem(KEY)) ?? []; } catch { return []; }
}

/** Whether the browser lets us keep things. */
function put(notes) {
  try { localStorage.setItem(KEY, JSON.stringify(notes)); return true; } catch { return false; }
}

/** Keep one more; false if the browser keeps nothing. */
export const keep = (note) => put([...kept(), note]);

/** Let go of one. */
export const drop = (note) => put(kept().filter((k) => JSON.stringify(k) !== JSON.stringify(note)));

/** Whether the host has it after all. */
export const known = (note, notes) => notes.some((n) => n.kind === note.kind && n.text === note.text && Math.abs(n.at - note.at) < SAME_S);
