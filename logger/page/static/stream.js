// A stream of states shown in the page: the text of what has data-show, and all else that changes.
//
// A state is shown only while it is fresh. What is covered by the veil is not to be trusted: each
// fresh state takes the veil away for the rest of its time by an animation, which the browser's
// compositor ends by itself, so the veil comes back even if no script runs any more.

import { clock, figures } from "./times.js";

const FRESH_MS = 1200; // oldest pair by which the page says whether the key is down
const LOOK_MS = 200, RETRY_MS = 1000, HUNG_MS = 4000;
const LEAST_WIDTH = 30; // of the interval on the scale, so that it can be seen beside the pointer
const UNKNOWN = "UNKNOWN: do not touch";

// A moment, and the time since then. A suspended machine stops one of the two clocks, a wrong clock
// that is set moves the other: the longer time counts.
const moment = () => [performance.now(), Date.now()];
const since = ([run, wall]) => Math.max(performance.now() - run, Date.now() - wall);

function found(state, path) {
  return path.split(".").reduce((value, key) => value?.[key], state);
}

function words(value) {
  return figures(Array.isArray(value) ? value.join(", ") : String(value ?? ""));
}

function bar(places) {
  for (const part of document.querySelectorAll("[data-bar]")) {
    const [low, at, high] = (places ?? [0, 0, 0]).map((place) => 1000 * place);
    if (part.dataset.bar === "interval") {
      const width = Math.max(LEAST_WIDTH, high - low);
      part.setAttribute("x", (low + high - width) / 2);
      part.setAttribute("width", width);
    }
    if (part.dataset.bar === "point") part.setAttribute("transform", `translate(${at} 0)`);
    part.setAttribute("visibility", places ? "visible" : "hidden");
  }
}

// The list of links to pages of what the state names, each with a number and a text.
function links(list, items) {
  const key = JSON.stringify(items);
  if (list.dataset.shown === key) return;
  list.dataset.shown = key;
  list.replaceChildren(
    ...items.map((item) => {
      const line = document.createElement("li"), link = document.createElement("a");
      link.href = `${list.dataset.links}/${Number(item.id)}`;
      link.textContent = figures(item.text);
      line.append(link);
      return line;
    }),
  );
}

function text(part, value) {
  if (part.textContent !== value) part.textContent = value;
}

function show(state) {
  for (const part of document.querySelectorAll("[data-show]"))
    text(part, words(found(state, part.dataset.show)));
  for (const part of document.querySelectorAll("[data-key]"))
    part.classList.toggle("down", state.down);
  for (const part of document.querySelectorAll("[data-alarms]")) part.hidden = !state.alarms.length;
  for (const part of document.querySelectorAll("[data-when]"))
    part.hidden = !found(state, part.dataset.when);
  for (const part of document.querySelectorAll("[data-links]"))
    links(part, found(state, part.dataset.links) ?? []);
  for (const part of document.querySelectorAll("[data-alert]"))
    part.classList.toggle("alert", Boolean(found(state, part.dataset.alert)));
  document.body.classList.toggle("past", !state.down);
  document.body.classList.toggle("unknown", !state.known);
  bar(state.bar);
}

// Say that nothing is known, and why.
function doubt(reason) {
  unveil(0);
  document.body.classList.add("unknown");
  for (const part of document.querySelectorAll("[data-show=state]")) text(part, UNKNOWN);
  for (const part of document.querySelectorAll("[data-show=reason]")) text(part, reason);
  for (const part of document.querySelectorAll("[data-key]")) part.classList.remove("down");
}

// Take the veil away for so long.
function unveil(duration) {
  for (const veil of document.querySelectorAll("[data-veil]")) {
    const before = veil.getAnimations();
    if (duration > 0)
      veil.animate([{ opacity: 0 }, { opacity: 0, offset: 0.99 }, { opacity: 1 }], {
        duration, fill: "forwards",
      });
    for (const animation of before) animation.cancel();
  }
}

// Follow a stream; `more` gets each state after it is shown, and null when nothing is known.
export function follow(address, more = () => {}) {
  let source = null, opened = moment(), heard = moment(), tried = moment();
  let good = 0; // how long after `heard` the state is fresh, ms

  function take(event) {
    const state = JSON.parse(event.data);
    const late = since(opened) - Number(event.lastEventId); // at most so long in transit, ms
    if (late > FRESH_MS) {
      lose("Readings arrive too late.");
      if (since(tried) > RETRY_MS) open();
      return;
    }
    heard = moment();
    good = state.known ? FRESH_MS - late - state.age_ms : 0;
    if (state.utc) state.time = clock(state.utc);
    if (!document.hidden) {
      show(state);
      if (good > 0) unveil(good);
      else doubt(state.reason || "The reading is old.");
    }
    more(good > 0 ? state : null);
  }

  function lose(reason) {
    good = 0;
    doubt(reason);
    more(null);
  }

  function open() {
    source?.close();
    source = new EventSource(address);
    opened = tried = moment();
    source.onmessage = take;
    source.onerror = close; // a stream is opened anew here, as only then its delay is known
  }

  function close() {
    source?.close();
    source = null;
  }

  open();
  setInterval(() => {
    if (good > 0 && since(heard) > good) lose("Connection to the server lost; reconnecting.");
    if (since(tried) > (source === null ? RETRY_MS : HUNG_MS) && since(heard) > FRESH_MS) open();
  }, LOOK_MS);
  // A page that is not seen is covered, so that it is when it is seen again.
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) doubt("The page was in the background.");
  });
  for (const name of ["pagehide", "freeze"])
    addEventListener(name, () => {
      close();
      lose("The page was suspended.");
    }, { capture: true });
  for (const name of ["pageshow", "resume"])
    addEventListener(name, () => source ?? open(), { capture: true });
}
