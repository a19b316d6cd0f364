// Times of the page in the time zone of the browser, with UTC on hover, and numbers with its
// decimal sign.

const MARKED = /\b(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d)(:\d\d)?(\.\d+)?(?:Z| UTC)(?![A-Za-z0-9])/g;
const ASIDE = "time, script, style, textarea, input, pre, code"; // texts left as they are
const two = (number) => String(number).padStart(2, "0");

const DECIMAL = /(?<![\d.])\d+\.\d+(?![\d.])/g;
const LOCALE = navigator.language;
const POINT = new Intl.NumberFormat(LOCALE).format(1.5) === "1.5";

// A text with its decimal numbers as the viewer writes them; the number of digits stays.
export function figures(text) {
  if (POINT) return text;
  return text.replace(DECIMAL, (number) => {
    const digits = number.length - number.indexOf(".") - 1;
    return new Intl.NumberFormat(LOCALE, {
      minimumFractionDigits: digits, maximumFractionDigits: digits, useGrouping: false,
    }).format(Number(number));
  });
}

export function clock(utc) {
  const time = new Date(utc);
  return `${two(time.getHours())}:${two(time.getMinutes())}:${two(time.getSeconds())}`;
}

function day(utc) {
  const time = new Date(utc);
  return `${time.getFullYear()}-${two(time.getMonth() + 1)}-${two(time.getDate())}`;
}

// Times that stand within sentences become elements like the others.
function mark(root) {
  const walker = document.createTreeWalker(root, NodeFilter.SHOW_TEXT);
  const texts = [];
  while (walker.nextNode()) {
    const text = walker.currentNode;
    if (text.data.search(MARKED) >= 0 && !text.parentElement.closest(`${ASIDE}, svg`)) texts.push(text);
  }
  for (const text of texts) {
    const parts = [];
    let end = 0;
    for (const match of text.data.matchAll(MARKED)) {
      const time = document.createElement("time");
      time.dateTime = `${match[1]}T${match[2]}${match[3] ?? ":00"}${match[4] ?? ""}Z`;
      time.dataset.shown = match[3] ? "second" : "minute";
      parts.push(text.data.slice(end, match.index), time);
      end = match.index + match[0].length;
    }
    text.replaceWith(...parts, text.data.slice(end));
  }
}

function write(root) {
  const walker = document.createTreeWalker(root, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const text = walker.currentNode, shown = figures(text.data);
    if (shown !== text.data && !text.parentElement.closest(`${ASIDE}, .topic`)) text.data = shown;
  }
}

export function localise(root) {
  mark(root);
  if (!POINT) write(root);
  for (const time of root.querySelectorAll("time[datetime]")) {
    const utc = time.dateTime, local = clock(utc);
    time.textContent = `${day(utc)} ${time.dataset.shown === "minute" ? local.slice(0, 5) : local}`;
    time.title = `${utc.slice(0, 10)} ${utc.slice(11, 19)} UTC`;
  }
}

localise(document.getElementById("main"));
for (const note of document.querySelectorAll("[data-zone]")) {
  const zone = Intl.DateTimeFormat().resolvedOptions().timeZone;
  note.textContent = `Times are in the time zone of this browser (${zone}), with UTC on hover.`;
}
