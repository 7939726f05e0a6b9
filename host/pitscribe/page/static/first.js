// The page that sets the password by a one-time link. Its word stands behind the address's "#": taken out of sight, and
// out of the browser's history, at once.

import { wireDoor } from "./door.js";

const word = location.hash.slice(1);
history.replaceState(null, "", location.pathname);
const [password, again] = ["password", "again"].map((id) => document.getElementById(id));

wireDoor(document.getElementById("first-form"), "/api/first", () => {
  if (!word) throw new Error("this address lacks the link's word: open the whole link, up to its last letter");
  if (password.value !== again.value) throw new Error("the two are not the same");
  return { word, password: password.value };
}, () => location.replace("/"));
