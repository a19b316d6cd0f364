// The sound of a session of wiggling: a tone that follows the reflection, a tick at an excursion.

import { attend } from "./session.js";

const LOWEST_HZ = 220, OCTAVES = 3, LOUD = 0.12;
const TICK_HZ = 1500, TICK_S = 0.12;

let sound = null; // {context, tone, gain} from the first tap on
let on = false;
let heard = null;

function label() {
  const button = document.getElementById("sound");
  if (!button) return;
  button.setAttribute("aria-pressed", String(on));
  button.textContent = on ? "Sound off" : "Sound on";
}

function start() {
  const context = new AudioContext();
  const tone = new OscillatorNode(context, { type: "triangle", frequency: LOWEST_HZ });
  const gain = new GainNode(context, { gain: 0 });
  tone.connect(gain).connect(context.destination);
  tone.start();
  return { context, tone, gain };
}

function tick() {
  const { context } = sound, now = context.currentTime;
  const tone = new OscillatorNode(context, { type: "square", frequency: TICK_HZ });
  const gain = new GainNode(context, { gain: LOUD });
  tone.connect(gain).connect(context.destination);
  tone.start(now);
  tone.stop(now + TICK_S);
}

function play(state) {
  const excursions = state?.session?.heard ?? 0;
  const more = heard !== null && excursions > heard;
  heard = excursions;
  if (more && navigator.userActivation?.hasBeenActive) navigator.vibrate?.(80); // else it is refused
  if (!sound) return;
  const { context, tone, gain } = sound;
  const rho = on && state && !state.session?.too_long ? state.rho : null;
  gain.gain.setTargetAtTime(rho === null ? 0 : LOUD, context.currentTime, 0.03);
  if (rho !== null) {
    const hz = LOWEST_HZ * 2 ** (OCTAVES * Math.min(1, rho));
    tone.frequency.setTargetAtTime(hz, context.currentTime, 0.03);
    document.body.dataset.hz = Math.round(hz);
  }
  if (on && more) tick();
}

document.addEventListener("click", (event) => {
  if (event.target.id !== "sound") return;
  sound ??= start();
  sound.context.resume();
  on = !on;
  label();
});

attend("wiggle", { changed: label, more: play });
