// Small helpers. Text is only ever set as text, so that markup in a name stays a name.
const SVG = "http://www.w3.org/2000/svg";
const written = new WeakMap();

export const get = (id) => document.getElementById(id);

// Whole seconds as minutes and seconds.
export const clock = (s) => `${Math.floor(s / 60)}:${String(s % 60).padStart(2, "0")}`;

export const repCount = (n) => `${n} ${n === 1 ? "rep" : "reps"}`;

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

// Scale of a text's width, from whole to the least that is still read, and of its size where even that is too little.
const WIDTHS = [1, 0.95, 0.9, 0.85, 0.8, 0.75, 0.7, 0.65, 0.6, 0.55, 0.5];
const SIZES = [1, 0.85, 0.7, 0.55, 0.4];
const UPRIGHT = matchMedia("(orientation: portrait)");

// A text that has to be read from afar in a box that may be too narrow for it: squeezed in width, not in height.
export class Squeezed {
  // lines: at most; fewer where that squeezes it no further than to three quarters. upright: on a screen that stands.
  constructor(box, lines = 1, upright = lines) {
    this.box = box;
    this.most = { lines, upright };
    this.text = make("span", "squeezed");
    box.replaceChildren(this.text);
    new ResizeObserver(() => this.fit()).observe(box);
  }

  write(text) {
    if (this.text.textContent === text) return;
    this.text.textContent = text;
    this.fit();
  }

  fit() {
    const { paddingLeft, paddingRight } = getComputedStyle(this.box);
    const room = this.box.clientWidth - parseFloat(paddingLeft) - parseFloat(paddingRight);
    if (room <= 0) return;
    const most = UPRIGHT.matches ? this.most.upright : this.most.lines;
    for (const size of SIZES) {
      for (let lines = 1; lines <= most; lines += 1) {
        for (const width of WIDTHS) {
          if (lines < most && width < 0.75) break;
          if (this.fits(room, width, size, lines)) return;
        }
      }
    }
  }

  fits(room, width, size, lines) {
    const { style } = this.text;
    style.fontSize = size === 1 ? "" : `${size}em`;
    style.width = `${(room / width).toFixed(1)}px`;
    style.transform = width === 1 ? "" : `scaleX(${width})`;
    const line = parseFloat(getComputedStyle(this.text).lineHeight);
    return this.text.offsetHeight < (lines + 0.5) * line && this.text.scrollWidth <= this.text.clientWidth + 1;
  }
}

export function list(element, texts) {
  const key = JSON.stringify(texts);
  if (written.get(element) === key) return;
  written.set(element, key);
  element.replaceChildren(...texts.map((text) => make("li", "", text)));
}
