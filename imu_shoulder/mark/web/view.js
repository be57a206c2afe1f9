// Which part of the recording is seen: pan and zoom by wheel, fingers, buttons and the strip with the whole of it.
const LEAST_S = 1;
const HALF = 0.5;

export class View {
  constructor(from, to, changed) {
    this.bounds = [from, to];
    this.from = from;
    this.to = to;
    this.changed = changed;
  }

  get span() {
    return this.to - this.from;
  }

  set(from, to) {
    const [first, last] = this.bounds;
    const span = Math.min(Math.max(to - from, LEAST_S), last - first);
    this.from = Math.min(Math.max(from, first), last - span);
    this.to = this.from + span;
    this.changed();
  }

  // at: the time that stays where it is.
  zoom(factor, at = (this.from + this.to) / 2) {
    const span = Math.min(Math.max(this.span * factor, LEAST_S), this.bounds[1] - this.bounds[0]);
    const from = at - ((at - this.from) / this.span) * span;
    this.set(from, from + span);
  }

  pan(seconds) {
    this.set(this.from + seconds, this.to + seconds);
  }

  // So that a stretch is seen with some room around it.
  include(start, end = start) {
    if (start >= this.from && end <= this.to) return;
    if (end - start > this.span) this.set(start - 0.1 * (end - start), end + 0.1 * (end - start));
    else this.set((start + end) / 2 - this.span * HALF, (start + end) / 2 + this.span * HALF);
  }
}

// Fingers and mouse on the curves: one drags, two zoom; a short touch is a tap. x: in px of the element.
export function watchPointers(element, view, tap) {
  const down = new Map();
  let moved = false;
  let begin = null;
  const place = (event) => event.clientX - element.getBoundingClientRect().left;
  const time = (x) => view().from + (x / element.clientWidth) * view().span;
  const restart = () => {
    const xs = [...down.values()];
    begin = { from: view().from, span: view().span, middle: mean(xs), wide: Math.abs(xs.at(-1) - xs[0]) };
  };
  element.addEventListener("pointerdown", (event) => {
    if (event.button > 0) return;
    element.setPointerCapture(event.pointerId);
    down.set(event.pointerId, place(event));
    if (down.size === 1) moved = false;
    restart();
  });
  element.addEventListener("pointermove", (event) => {
    if (!down.has(event.pointerId)) return;
    down.set(event.pointerId, place(event));
    const xs = [...down.values()];
    if (Math.abs(mean(xs) - begin.middle) > 6 || xs.length > 1) moved = true;
    if (!moved) return;
    const factor = xs.length > 1 ? begin.wide / Math.max(Math.abs(xs.at(-1) - xs[0]), 20) : 1;
    const span = begin.span * factor;
    const at = begin.from + (begin.middle / element.clientWidth) * begin.span;
    const from = at - (mean(xs) / element.clientWidth) * span;
    view().set(from, from + span);
  });
  const up = (event) => {
    if (!down.has(event.pointerId)) return;
    const x = place(event);
    down.delete(event.pointerId);
    if (down.size) restart();
    else if (!moved && event.type === "pointerup") tap(time(x), event);
  };
  element.addEventListener("pointerup", up);
  element.addEventListener("pointercancel", up);
  // Of what stands on the curves, too.
  element.parentElement.addEventListener(
    "wheel",
    (event) => {
      // Up and down zooms; sideways, or with the shift key, pans. With neither the page would scroll away.
      event.preventDefault();
      const sideways = Math.abs(event.deltaX) > Math.abs(event.deltaY) ? event.deltaX : event.shiftKey ? event.deltaY : 0;
      if (sideways) view().pan((sideways / element.clientWidth) * view().span);
      else view().zoom(2 ** (event.deltaY / 300), time(place(event)));
    },
    { passive: false },
  );
}

const mean = (xs) => xs.reduce((sum, x) => sum + x, 0) / xs.length;

// The strip: a press goes there, a drag takes the window along.
export function watchStrip(strip, view) {
  let held = false;
  const go = (event) => {
    const box = strip.getBoundingClientRect();
    const [first, last] = view().bounds;
    const at = first + ((event.clientX - box.left) / box.width) * (last - first);
    view().set(at - view().span * HALF, at + view().span * HALF);
  };
  strip.addEventListener("pointerdown", (event) => {
    strip.setPointerCapture(event.pointerId);
    held = true;
    go(event);
  });
  strip.addEventListener("pointermove", (event) => held && go(event));
  for (const end of ["pointerup", "pointercancel"]) strip.addEventListener(end, () => (held = false));
}

// Times at round steps, so that about every 90 px has one.
export function ticks(view, width) {
  const least = (view.span / Math.max(width, 1)) * 90;
  const step = [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600].find((s) => s >= least) ?? 7200;
  const found = [];
  for (let t = Math.ceil(view.from / step) * step; t <= view.to; t += step) found.push(Math.round(t * 10) / 10);
  return { step, at: found };
}
