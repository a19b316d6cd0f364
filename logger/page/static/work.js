// A session at the station: its page follows the stream, keeps the screen on and sounds.

import { attend } from "./session.js";
import { play } from "./sound.js";

const place = document.querySelector("[data-stream]"); // its address without /events
let lock = null, asked = false;

// The screen stays on while a session is in progress, where the browser permits it (https only).
async function keepAwake() {
  const active = document.getElementById("session").dataset.step !== "-1";
  if (!active) {
    lock?.release();
    lock = null;
  } else if (!lock && !asked && !document.hidden && navigator.wakeLock) {
    asked = true;
    lock = await navigator.wakeLock.request("screen").catch(() => null);
    lock?.addEventListener("release", () => { lock = null; });
    asked = false;
  }
}

document.addEventListener("visibilitychange", keepAwake);
attend(place.dataset.stream, {
  more: (state) => {
    play(state);
    keepAwake();
  },
});
