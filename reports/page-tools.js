// What all parts of the page share: the frames, elements, numbers in words.

// A text of which nothing acts on what shows it, such as marks that turn its direction.
const visible = (text) => text.replace(/[\0-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff]/g,
  (sign) => ({ "\n": "\\n", "\r": "\\r", "\t": "\\t" })[sign] ?? "\\u" + sign.charCodeAt(0).toString(16).padStart(4, "0"));

const data = JSON.parse(document.getElementById("session-data").textContent);
const verdicts = Object.keys(data.marks);
const frames = data.frames.rows.map((row, place) => {
  const frame = { place };
  data.frames.names.forEach((name, n) => (frame[name] = row[n]));
  frame.name = visible(frame.file.slice(frame.file.lastIndexOf("/") + 1));
  return frame;
});
const byId = new Map(frames.map((frame) => [frame.id, frame]));

// An element; texts become text nodes, so that no name is ever read as markup.
function h(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== null) element.setAttribute(name, value);
  }
  element.append(...children.filter((child) => child !== null && child !== ""));
  return element;
}

function mark(verdict) {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("class", `mark ${verdict}`);
  svg.setAttribute("viewBox", "-0.6 -0.6 1.2 1.2");
  svg.setAttribute("aria-hidden", "true");
  const path = svg.appendChild(document.createElementNS("http://www.w3.org/2000/svg", "path"));
  path.setAttribute("d", data.marks[verdict]);
  return svg;
}

const verdictTag = (word) => h("span", { class: `verdict ${word}` }, mark(word), word);

// A number to so many significant digits, and no more decimals; – if unknown.
function figure(value, digits = 3) {
  if (value === null || value === undefined) return "–";
  if (value === 0) return "0";
  const decimals = Math.min(Math.max(0, digits - 1 - Math.floor(Math.log10(Math.abs(value)))), Math.max(digits, 2));
  const [whole, part] = Math.abs(value).toFixed(decimals).split(".");
  const grouped = whole.replace(/\B(?=(\d{3})+$)/g, "\u202f");
  const text = part ? `${grouped}.${part}` : grouped;
  return value < 0 && Number(text.replace("\u202f", "")) !== 0 ? `−${text}` : text;
}

// A length and its error to the same decimals, no finer than a hundredth of a pixel.
function withError(value, error) {
  const decimals = Math.min(Math.max(0, 1 - Math.floor(Math.log10(error))), 2);
  return `${value.toFixed(decimals)} ± ${Math.max(error, 10 ** -decimals).toFixed(decimals)}`;
}

const withUnit = (value, unit, digits) =>
  figure(value, digits) + (value === null || !unit ? "" : unit === "°" ? "°" : `\u00a0${unit}`);

function duration(seconds) {
  if (seconds < 59.5) return `${seconds.toFixed(0)} s`;
  const minutes = Math.round(seconds / 60);
  const rest = String(minutes % 60).padStart(2, "0");
  return minutes >= 60 ? `${Math.floor(minutes / 60)} h ${rest} min` : `${minutes} min`;
}

// A file of the reader's own; nothing is sent anywhere.
function save(name, text) {
  const url = URL.createObjectURL(new Blob([text], { type: "text/plain" }));
  const link = h("a", { href: url, download: name });
  link.click();
  // A busy machine may come to it late.
  setTimeout(() => URL.revokeObjectURL(url), 300000);
}

// A text, or anything made of texts and numbers, as YAML and JSON both read it.
const quoted = (value) =>
  JSON.stringify(value).replace(/[\x7f-\x9f\u2028\u2029\ufeff\ufffe\uffff]/g, (c) =>
    "\\u" + c.charCodeAt(0).toString(16).padStart(4, "0"));

const plural = (count, word) => `${count} ${word}${count === 1 ? "" : "s"}`;
