// The marks on the curves: each is three sliders, its start, the whole of it, and its end; by mouse, finger and keys.
import { make } from "./parts.js";
import { clock, spoken } from "./words.js";

const STEPS_S = { fine: 0.1, coarse: 1, page: 5 };
const KEYS = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageUp: 1, PageDown: -1 };
// Narrower ones show no handles until they are chosen: there is no room for three.
const NARROW_PX = 56;
const PARTS = { start: "Start", whole: "Move", end: "End" };

// How far a key moves a slider, in seconds; 0 for another key.
export function stepOf(event) {
  const way = KEYS[event.key];
  if (!way || event.ctrlKey || event.metaKey || event.altKey) return 0;
  if (event.key.startsWith("Page")) return way * STEPS_S.page;
  return way * (event.shiftKey ? STEPS_S.coarse : STEPS_S.fine);
}

export class Spans {
  // marks, view, names: functions that give them. acted: told of a key on a mark.
  constructor(box, { marks, view, names, acted }) {
    Object.assign(this, { box, marks, view, names, acted });
    this.made = new Map();
    // The slider that is held, and where.
    this.held = null;
    // A second finger means to zoom: what the first one moved goes back.
    document.addEventListener("pointerdown", ({ isPrimary }) => !isPrimary && this.letGo(), true);
  }

  letGo() {
    const { held } = this;
    this.held = null;
    if (held?.moves) this.marks().takeBack();
  }

  draw(lanes) {
    const width = this.box.clientWidth;
    const seen = new Set();
    let before = null;
    for (const span of this.marks().spans) {
      seen.add(span.key);
      if (!this.made.has(span.key)) this.made.set(span.key, this.build(span.key));
      const own = this.made.get(span.key);
      // In the order of time, for who goes from one to the next by key; what is in place already keeps the focus.
      const after = before ? before.nextElementSibling : this.box.firstElementChild;
      if (after !== own.element) this.box.insertBefore(own.element, after);
      before = own.element;
      this.place(own, span, lanes, width);
    }
    for (const [key, { element }] of this.made) {
      if (seen.has(key)) continue;
      element.remove();
      this.made.delete(key);
    }
  }

  build(key) {
    const element = make("div", "span");
    element.setAttribute("role", "group");
    element.dataset.key = key;
    const parts = {};
    for (const part of Object.keys(PARTS)) {
      const slider = make("div", part);
      slider.setAttribute("role", "slider");
      slider.addEventListener("keydown", (event) => this.key(event, key, part));
      slider.addEventListener("focus", () => this.focus(key));
      this.watch(slider, key, part);
      parts[part] = slider;
      element.append(slider);
    }
    const label = make("span", "label");
    parts.whole.append(label);
    return { element, parts, label };
  }

  of(key) {
    return this.marks().spans.find((span) => span.key === key);
  }

  focus(key) {
    const span = this.of(key);
    if (!span) return;
    if (this.marks().chosen !== key) this.marks().choose(key);
    // At once, not with the next drawing: the next press of Tab goes to its end.
    for (const slider of Object.values(this.made.get(key).parts)) slider.tabIndex = 0;
    // Who goes there by key has to see it.
    if (document.activeElement?.matches(":focus-visible")) this.view().include(span.start, span.end);
  }

  key(event, key, part) {
    const step = stepOf(event);
    const span = this.of(key);
    if (!span) return;
    if (step) {
      event.preventDefault();
      this.marks().move(span, part, (part === "end" ? span.end : span.start) + step);
      const now = this.of(key);
      this.view().include(part === "end" ? now.end : now.start);
    } else this.acted(event);
  }

  watch(slider, key, part) {
    slider.addEventListener("pointerdown", (event) => {
      if (event.button > 0 || !event.isPrimary) return;
      event.preventDefault();
      event.stopPropagation();
      slider.setPointerCapture(event.pointerId);
      slider.focus({ focusVisible: false });
      const span = this.of(key);
      this.held = { slider, x: event.clientX, from: part === "end" ? span.end : span.start, moves: false };
    });
    slider.addEventListener("pointermove", (event) => {
      const { held } = this;
      if (held?.slider !== slider || !event.isPrimary) return;
      const px = event.clientX - held.x;
      held.moves ||= Math.abs(px) > 3;
      if (held.moves) this.marks().move(this.of(key), part, held.from + (px / this.box.clientWidth) * this.view().span);
    });
    for (const end of ["pointerup", "pointercancel"]) {
      slider.addEventListener(end, () => {
        this.held = null;
        this.marks().endStep();
      });
    }
  }

  place({ element, parts, label }, span, lanes, width) {
    const view = this.view();
    const px_s = width / view.span;
    const left = (span.start - view.from) * px_s;
    const wide = Math.max((span.end - span.start) * px_s, 2);
    const chosen = span.key === this.marks().chosen;
    const names = this.names();
    const lane = lanes.find(({ side }) => side === span.cells.side);
    // Far outside the box a browser's numbers get coarse; the part that can be seen is enough.
    const from = Math.max(left, -2000);
    const to = Math.min(left + wide, width + 2000);
    const hidden = to < -40 || from > width + 40;
    element.className = `span ${span.cells.trial_type === "set" ? "of-sets" : "of-calibration"}`;
    element.classList.toggle("offered", span.offered);
    element.classList.toggle("chosen", chosen);
    element.classList.toggle("narrow", wide < NARROW_PX);
    element.classList.toggle("outside", hidden);
    element.style.left = `${from.toFixed(1)}px`;
    element.style.width = `${Math.max(to - from, 2).toFixed(1)}px`;
    element.style.top = lane ? `${lane.top}px` : "0";
    element.style.height = lane ? `${lane.height}px` : "100%";
    // The name stays in sight where the mark begins outside.
    label.style.marginLeft = `${Math.max(0, -from).toFixed(0)}px`;
    const whole = names.whole(span);
    element.setAttribute("aria-label", whole);
    if (label.textContent !== `${span.offered ? "? " : ""}${names.of(span)}`) label.textContent = `${span.offered ? "? " : ""}${names.of(span)}`;
    const [first, last] = view.bounds;
    for (const [part, slider] of Object.entries(parts)) {
      slider.tabIndex = part === "whole" || chosen ? 0 : -1;
      const at = part === "end" ? span.end : span.start;
      const text = part === "whole" ? `${spoken(span.start)} to ${spoken(span.end)}` : spoken(at);
      const said = { label: `${PARTS[part]}: ${whole}`, valuemin: first.toFixed(1), valuemax: last.toFixed(1), valuenow: at.toFixed(1), valuetext: text };
      for (const [name, value] of Object.entries(said)) slider.setAttribute(`aria-${name}`, value);
      slider.title = `${clock(span.start)} to ${clock(span.end)}`;
    }
  }

  // The slider of a mark, to go to.
  slider(key, part = "whole") {
    return this.made.get(key)?.parts[part] ?? null;
  }
}
