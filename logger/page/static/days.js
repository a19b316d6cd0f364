// Values of the small drawings: the day under the finger, or the one that the arrow keys choose.

function choose(drawing, mark) {
  for (const other of drawing.querySelectorAll(".chosen")) other.classList.remove("chosen");
  mark.classList.add("chosen");
  drawing.parentElement.querySelector("output").textContent = mark.dataset.text;
}

function nearest(drawing, clientX) {
  const box = drawing.getBoundingClientRect();
  const x = ((clientX - box.left) / box.width) * drawing.viewBox.baseVal.width;
  const away = (mark) => Math.abs(mark.dataset.x - x);
  return [...drawing.querySelectorAll("[data-x]")].reduce((a, b) => (away(b) < away(a) ? b : a));
}

for (const name of ["pointerdown", "pointermove"])
  document.addEventListener(name, (event) => {
    const drawing = event.target.closest?.("[data-days]");
    if (drawing) choose(drawing, nearest(drawing, event.clientX));
  });

document.addEventListener("keydown", (event) => {
  const drawing = event.target.closest?.("[data-days]");
  const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
  if (!drawing || !step) return;
  const marks = [...drawing.querySelectorAll("[data-x]")];
  const at = marks.findIndex((mark) => mark.classList.contains("chosen"));
  const next = at < 0 ? marks.length - 1 : at + step;
  choose(drawing, marks[Math.max(0, Math.min(marks.length - 1, next))]);
  event.preventDefault();
});
