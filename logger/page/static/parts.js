// Parts of a page that take a moment to make are fetched when the rest is there.

import { localise } from "./times.js";

export function fill(root) {
  for (const place of root.querySelectorAll("[data-part]")) {
    fetch(place.dataset.part)
      .then(async (answer) => {
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        const part = page.getElementById("part") ?? page.querySelector("main p");
        if (!part) throw new Error(answer.statusText);
        place.replaceChildren(...(part.id === "part" ? part.childNodes : [part]));
        localise(place);
      })
      .catch(() => {
        place.textContent = "The chart could not be loaded; reload the page.";
      });
  }
}

fill(document);
