// Values of charts: the words of the point nearest to the finger, or chosen by the arrow keys.
// data-values holds, for each panel, a line with its frame, then x, y and words of each point.

import { localise } from "./times.js";

const ASIDE = 0.2; // a point above or below the finger counts as so much nearer than one beside it

function panels(drawing) {
  return drawing.dataset.values.split("\n\n").map((text) => {
    const [frame, ...points] = text.split("\n").map((line) => {
      const [x, y, ...words] = line.split(" ");
      return { x: Number(x), y: Number(y), words: words.join(" "), edges: line.split(" ").map(Number) };
    });
    return { frame: frame.edges, points };
  });
}

const outside = (low, at, high) => Math.max(low - at, 0, at - high);

function nearest(items, distance) {
  return items.reduce((a, b) => (distance(b) < distance(a) ? b : a));
}

function choose(drawing, all, panel, point) {
  let chosen = drawing.querySelector(".chosen");
  if (!chosen) {
    chosen = document.createElementNS("http://www.w3.org/2000/svg", "path");
    chosen.setAttribute("class", "chosen");
    drawing.append(chosen);
  }
  chosen.setAttribute("d", `M${point.x} ${point.y}h0`);
  chosen.dataset.place = `${all.indexOf(panel)} ${panel.points.indexOf(point)}`;
  const output = drawing.closest("figure").querySelector("output");
  output.textContent = point.words;
  localise(output);
}

for (const name of ["pointerdown", "pointermove"])
  document.addEventListener(name, (event) => {
    const drawing = event.target.closest?.("[data-values]");
    if (!drawing) return;
    const { x, y } = new DOMPoint(event.clientX, event.clientY)
      .matrixTransform(drawing.getScreenCTM().inverse());
    const all = panels(drawing);
    const panel = nearest(all, ({ frame: [left, top, right, bottom] }) =>
      Math.hypot(outside(left, x, right), outside(top, y, bottom)));
    choose(drawing, all, panel,
      nearest(panel.points, (point) => Math.hypot(point.x - x, ASIDE * (point.y - y))));
  });

document.addEventListener("keydown", (event) => {
  const drawing = event.target.closest?.("[data-values]");
  const across = { ArrowLeft: -1, ArrowRight: 1 }[event.key] ?? 0;
  const down = { ArrowUp: -1, ArrowDown: 1 }[event.key] ?? 0;
  if (!drawing || !(across || down)) return;
  const all = panels(drawing), place = drawing.querySelector(".chosen")?.dataset.place;
  if (down && all.length === 1) return;
  event.preventDefault();
  const within = (number, list) => list[Math.max(0, Math.min(list.length - 1, number))];
  if (!place) {
    choose(drawing, all, all[0], all[0].points.at(-1));
    return;
  }
  const [row, column] = place.split(" ").map(Number), panel = within(row + down, all);
  const at = all[row].points[column].x;
  choose(drawing, all, panel,
    down ? nearest(panel.points, (point) => Math.abs(point.x - at)) : within(column + across, panel.points));
});
