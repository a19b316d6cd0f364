// Values of the small drawings: the day under the finger, or the one that the arrow keys choose.

import { figures } from "./times.js";

const DAY_MS = 864e5;

function values(drawing) {
  return drawing.dataset.days.split(";").map((text) => {
    const [x, y, day, swr, number] = text.split(" ");
    return { x, y, day, swr, number };
  });
}

function choose(drawing, { x, y, day, swr, number }) {
  let chosen = drawing.querySelector(".chosen");
  if (!chosen) {
    chosen = document.createElementNS("http://www.w3.org/2000/svg", "path");
    chosen.setAttribute("class", "chosen");
    drawing.append(chosen);
  }
  chosen.setAttribute("d", `M${x} ${y}h0`);
  chosen.dataset.day = day;
  const date = new Date(day * DAY_MS).toISOString().slice(0, 10);
  drawing.parentElement.querySelector("output").textContent = figures(
    `${date}: SWR ${swr}, ${number} transmission${number === "1" ? "" : "s"}`,
  );
}

for (const name of ["pointerdown", "pointermove"])
  document.addEventListener(name, (event) => {
    const drawing = event.target.closest?.("[data-days]");
    if (!drawing) return;
    const box = drawing.getBoundingClientRect();
    const x = ((event.clientX - box.left) / box.width) * drawing.viewBox.baseVal.width;
    const away = (day) => Math.abs(day.x - x);
    choose(drawing, values(drawing).reduce((a, b) => (away(b) < away(a) ? b : a)));
  });

document.addEventListener("keydown", (event) => {
  const drawing = event.target.closest?.("[data-days]");
  const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
  if (!drawing || !step) return;
  const days = values(drawing);
  const at = days.findIndex(({ day }) => day === drawing.querySelector(".chosen")?.dataset.day);
  const next = at < 0 ? days.length - 1 : at + step;
  choose(drawing, days[Math.max(0, Math.min(days.length - 1, next))]);
  event.preventDefault();
});
