// Small helpers. Text is only ever set as text, so that markup in a name stays a name.
const SVG = "http://www.w3.org/2000/svg";
const written = new WeakMap();

export const get = (id) => document.getElementById(id);

// Whole seconds as minutes and seconds.
export const clock = (s) => `${Math.floor(s / 60)}:${String(s % 60).padStart(2, "0")}`;

export function make(tag, className = "", text = "") {
  const element = document.createElement(tag);
  if (className) element.className = className;
  if (text) element.textContent = text;
  return element;
}

export function svg(tag, attributes = {}) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  return element;
}

export function write(element, text) {
  if (written.get(element) === text) return;
  written.set(element, text);
  element.textContent = text;
}

export function show(element, shown) {
  if (element instanceof SVGElement) element.classList.toggle("hidden", !shown);
  else if (element.hidden === shown) element.hidden = !shown;
}

export function list(element, texts) {
  const key = JSON.stringify(texts);
  if (written.get(element) === key) return;
  written.set(element, key);
  element.replaceChildren(...texts.map((text) => make("li", "", text)));
}
