// The reading, and the parts of the home page: the last transmissions are asked for after key-up.

import { fill } from "./parts.js";
import { follow } from "./stream.js";

const STORED_MS = 4000; // from key-up to the row in the store, with the hang time
const recent = document.getElementById("recent");
let down = false, due = 0;

follow(document.querySelector("[data-stream]").dataset.stream, (state) => {
  if (!state) return;
  if (down && !state.down) due = Date.now() + STORED_MS;
  down = state.down;
  if (!down && due && Date.now() > due) {
    due = 0;
    fill(recent);
  }
});
