// A session of wiggling: taps without loading the page, so that the sound goes on.

import { follow } from "./stream.js";

const LOWEST_HZ = 220, OCTAVES = 3, LOUD = 0.12;
const TICK_HZ = 1500, TICK_S = 0.12;

let sound = null; // {context, tone, gain} from the first tap on
let on = false;
let heard = null;

function session() {
  return document.getElementById("session");
}

function take(text) {
  const page = new DOMParser().parseFromString(text, "text/html");
  const made = page.getElementById("session");
  if (!made) {
    session().prepend(...page.querySelectorAll("main p"));
    return;
  }
  session().replaceWith(made);
  for (const name of ["h1"]) {
    const old = document.querySelector(name), its = page.querySelector(name);
    if (old && its) old.className = its.className;
  }
  label();
}

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
  const excursions = state?.wiggle?.heard ?? 0;
  const more = heard !== null && excursions > heard;
  heard = excursions;
  if (more) navigator.vibrate?.(80);
  if (!sound) return;
  const { context, tone, gain } = sound;
  const rho = on && state && !state.wiggle?.too_long ? state.rho : null;
  gain.gain.setTargetAtTime(rho === null ? 0 : LOUD, context.currentTime, 0.03);
  if (rho !== null) {
    const hz = LOWEST_HZ * 2 ** (OCTAVES * Math.min(1, rho));
    tone.frequency.setTargetAtTime(hz, context.currentTime, 0.03);
    document.body.dataset.hz = Math.round(hz);
  }
  if (on && more) tick();
}

document.addEventListener("submit", async (event) => {
  const form = event.target;
  if (!form.action.includes("/wiggle/")) return;
  event.preventDefault();
  const body = new URLSearchParams(new FormData(form));
  for (const button of form.querySelectorAll("button")) button.disabled = true;
  try {
    take(await (await fetch(form.action, { method: "POST", body })).text());
  } catch {
    for (const button of form.querySelectorAll("button")) button.disabled = false;
  }
});

document.addEventListener("click", (event) => {
  if (event.target.id !== "sound") return;
  sound ??= start();
  sound.context.resume();
  on = !on;
  label();
});

let asking = false;
follow("/wiggle/events", async (state) => {
  play(state);
  const step = String(state?.wiggle?.step ?? -1);
  if (state === null || asking || step === session().dataset.step) return;
  asking = true; // somebody tapped on another device
  try {
    take(await (await fetch("/wiggle")).text());
  } finally {
    asking = false;
  }
});
