// The page that asks for the password.

import { wireDoor } from "./door.js";

const password = document.getElementById("password");
wireDoor(document.getElementById("enter-form"), "/api/enter", () => ({ password: password.value }), () => location.replace("/"));
