// A stream of states shown in the page: the text of what has data-show, and all else that changes.

import { clock } from "./times.js";

const SILENT_MS = 6000;
const LEAST_WIDTH = 30; // of the interval on the scale, so that it can be seen beside the pointer

function found(state, path) {
  return path.split(".").reduce((value, key) => value?.[key], state);
}

function words(value) {
  return Array.isArray(value) ? value.join(", ") : String(value ?? "");
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
      link.textContent = item.text;
      line.append(link);
      return line;
    }),
  );
}

function show(state) {
  for (const part of document.querySelectorAll("[data-show]")) {
    const text = words(found(state, part.dataset.show));
    if (part.textContent !== text) part.textContent = text;
  }
  for (const part of document.querySelectorAll("[data-loud]")) {
    part.classList.toggle("loud", state.loud);
    part.classList.toggle("down", state.down);
  }
  for (const part of document.querySelectorAll("[data-alarms]")) part.hidden = !state.alarms.length;
  for (const part of document.querySelectorAll("[data-when]"))
    part.hidden = !found(state, part.dataset.when);
  for (const part of document.querySelectorAll("[data-links]"))
    links(part, found(state, part.dataset.links) ?? []);
  for (const part of document.querySelectorAll("[data-alert]"))
    part.classList.toggle("alert", Boolean(found(state, part.dataset.alert)));
  document.body.classList.toggle("past", !state.down);
  bar(state.bar);
}

function lost(whether) {
  document.body.classList.toggle("old", whether);
  for (const part of document.querySelectorAll("[data-lost]")) part.hidden = !whether;
}

// Follow a stream; `more` gets each state after it is shown, and null when nothing comes any more.
export function follow(address, more = () => {}) {
  let heard = Date.now();
  const open = () => {
    const source = new EventSource(address);
    source.onmessage = (event) => {
      heard = Date.now();
      lost(false);
      const state = JSON.parse(event.data);
      if (state.utc) state.time = clock(state.utc);
      show(state);
      more(state);
    };
    source.onerror = () => {
      if (source.readyState !== EventSource.CLOSED) return;
      setTimeout(open, 2000); // it was refused, which the browser takes for an end
    };
  };
  open();
  setInterval(() => {
    if (Date.now() - heard < SILENT_MS) return;
    lost(true);
    more(null);
  }, 1000);
}
