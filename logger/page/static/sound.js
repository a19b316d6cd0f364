// The sound of a session: a tone that follows the reflection while the key is down, a tick at an
// excursion, and a pulsing buzz when nothing is known of the key.
//
// All of it is planned ahead in the audio clock, so that the buzz comes even if no script runs.

const LOWEST_HZ = 220, OCTAVES = 3, LOUD = 0.12;
const TICK_HZ = 1500, TICK_S = 0.12;
const BUZZ_HZ = 110, PULSE_HZ = 2;
const FRESH_S = 1.2; // as in stream.js

let sound = null; // from the first tap on
let on = false;
let heard = null;

function start() {
  const context = new AudioContext();
  const voice = (type, frequency) => {
    const source = new OscillatorNode(context, { type, frequency });
    const gain = new GainNode(context, { gain: 0 });
    source.connect(gain).connect(context.destination);
    source.start();
    return { source, gain: gain.gain };
  };
  const buzz = voice("sawtooth", BUZZ_HZ);
  const pulse = new OscillatorNode(context, { type: "square", frequency: PULSE_HZ });
  const depth = new GainNode(context, { gain: 0 });
  pulse.connect(depth).connect(buzz.gain);
  pulse.start();
  return { context, tone: voice("triangle", LOWEST_HZ), buzz, depth: depth.gain };
}

function tick() {
  const { context } = sound, now = context.currentTime;
  const tone = new OscillatorNode(context, { type: "square", frequency: TICK_HZ });
  const gain = new GainNode(context, { gain: LOUD });
  tone.connect(gain).connect(context.destination);
  tone.start(now);
  tone.stop(now + TICK_S);
}

// The loudness now, and from the time on at which the state is too old to be trusted.
function plan(gain, now, loud, later) {
  gain.cancelScheduledValues(now);
  gain.setTargetAtTime(loud, now, 0.02);
  gain.setValueAtTime(later, now + FRESH_S);
}

export function play(state) {
  const excursions = state?.session?.heard ?? 0;
  const more = heard !== null && excursions > heard;
  heard = excursions;
  if (more && navigator.userActivation?.hasBeenActive) navigator.vibrate?.(80); // else it is refused
  if (!sound) return;
  const { context, tone, buzz, depth } = sound, now = context.currentTime;
  const rho = on && state && !state.session?.too_long ? state.rho : null;
  const unknown = on && !state ? LOUD / 2 : 0, later = on ? LOUD / 2 : 0;
  plan(tone.gain, now, rho === null ? 0 : LOUD, 0);
  for (const gain of [buzz.gain, depth]) plan(gain, now, unknown, later);
  if (rho !== null) {
    const hz = LOWEST_HZ * 2 ** (OCTAVES * Math.min(1, rho));
    tone.source.frequency.setTargetAtTime(hz, now, 0.03);
    document.body.dataset.hz = Math.round(hz);
  }
  document.body.dataset.sound = unknown ? "buzz" : rho === null ? "silent" : "tone";
  if (on && more) tick();
}

document.addEventListener("click", (event) => {
  const button = event.target.closest("#sound");
  if (!button) return;
  sound ??= start();
  sound.context.resume();
  on = !on;
  button.setAttribute("aria-pressed", String(on));
  button.textContent = on ? "Sound off" : "Sound on";
  if (!on) for (const gain of [sound.tone.gain, sound.buzz.gain, sound.depth]) plan(gain, sound.context.currentTime, 0, 0);
});
