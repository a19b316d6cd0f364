// A session at the station: taps without loading the page, so that the stream and a sound go on.

import { follow } from "./stream.js";
import { fill } from "./parts.js";
import { localise } from "./times.js";

export function session() {
  return document.getElementById("session");
}

// The page at `address` follows its stream; `more` is called with each state.
export function attend(address, { more = () => {} } = {}) {
  const take = (text, tapped = false) => {
    const page = new DOMParser().parseFromString(text, "text/html");
    const made = page.getElementById("session");
    if (!made) {
      session().prepend(...page.querySelectorAll("main p"));
      return;
    }
    session().replaceWith(made);
    localise(made);
    fill(made);
    if (!tapped) return;
    // Whoever uses the keyboard or a screen reader goes on where the new step begins.
    const begin = made.querySelector(".task, h2, h1");
    begin?.setAttribute("tabindex", "-1");
    begin?.focus({ preventScroll: true });
  };

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!form.action.startsWith(new URL(`${address}/`, location).href)) return;
    event.preventDefault();
    const body = new URLSearchParams(new FormData(form)), button = event.submitter;
    if (button?.name) body.set(button.name, button.value);
    for (const button of form.querySelectorAll("button")) button.disabled = true;
    try {
      take(await (await fetch(form.action, { method: "POST", body })).text(), true);
    } catch {
      // It was not heard; the button can be tapped again.
    } finally {
      for (const button of form.querySelectorAll("button")) button.disabled = false;
    }
  });

  let asking = false;
  follow(`${address}/events`, async (state) => {
    more(state);
    const step = String(state?.session?.step ?? -1);
    if (state === null || asking || step === session().dataset.step) return;
    asking = true; // something was caught, or somebody tapped on another device
    try {
      take(await (await fetch(address)).text());
    } finally {
      asking = false;
    }
  });
}
