// Parts of a page that take a moment to make are fetched when the rest is there.

import "./values.js";
import { localise } from "./times.js";

function load(place) {
  return fetch(place.dataset.part)
    .then(async (answer) => {
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const part = page.getElementById("part") ?? page.querySelector("main p");
      if (!part) throw new Error(answer.statusText);
      place.replaceChildren(...(part.id === "part" ? part.childNodes : [part]));
      localise(place);
    })
    .catch(() => {
      place.textContent = "This could not be loaded; reload the page.";
    });
}

// Fill the parts within `root`, or `root` itself; with data-again, after so many seconds again.
export function fill(root) {
  const parts = root.matches?.("[data-part]") ? [root] : root.querySelectorAll("[data-part]");
  for (const place of parts) load(place);
}

fill(document);
for (const place of document.querySelectorAll("[data-again]"))
  setInterval(() => document.hidden || load(place), 1000 * place.dataset.again);
