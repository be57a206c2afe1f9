// The marks of a recording and what can be done with them. Each change gives new marks; the old ones stay for undo.
const LEAST_S = 0.5;
const NEW_S = 20;
const MOST_STEPS = 200;
const COUNTS = ["counted", "extra", "corrected"];

let keys = 0;

// cells: columns of events.tsv as texts. offered: a proposal that nobody took yet. doubt: what is known of a proposal.
export function makeSpan(cells, offered = false, doubt = null) {
  const start = Number(cells.onset);
  return { key: ++keys, start, end: start + Number(cells.duration), cells, offered, doubt };
}

// The row to be saved: a time that nobody moved stays as it was written.
export function rowOf({ cells, start, end }) {
  const onset = Number(cells.onset);
  if (onset === start && onset + Number(cells.duration) === end) return { ...cells };
  return { ...cells, onset: onset === start ? cells.onset : String(start), duration: String(Number((end - start).toFixed(6))) };
}

const inOrder = (spans) => [...spans].sort((a, b) => a.start - b.start || a.end - b.end);
const rounded = (s) => Math.round(s * 100) / 100;
const clamped = (s, low, high) => Math.min(Math.max(s, low), high);
const arms = (span) => (["right", "left"].includes(span.cells.side) ? [span.cells.side] : ["right", "left"]);
const shareArm = (a, b) => arms(a).some((arm) => arms(b).includes(arm));
const isSet = (span) => span.cells.trial_type === "set";
const joinedNote = (...notes) => [...new Set(notes.filter(Boolean))].join("; ");

function withCells(span, changes) {
  const cells = { ...span.cells, ...changes };
  for (const [name, value] of Object.entries(cells)) if (value === "" || value === null) delete cells[name];
  return { ...span, cells, offered: false };
}

// What a live session counted of a set, in words and as columns.
function countsOf(cells) {
  const found = {};
  for (const side of ["right", "left"]) for (const name of COUNTS) if (cells[`${side}_${name}`]) found[`${side}_${name}`] = cells[`${side}_${name}`];
  return found;
}

export function countWords(cells) {
  return Object.entries(countsOf(cells)).map(([name, value]) => `${name.replace("_", " arm ")} ${value}`).join(", ");
}

// Whether a proposal says what a mark says already.
export function alreadyMarked(offer, spans) {
  return spans.some((span) => {
    const shared = Math.min(span.end, offer.end) - Math.max(span.start, offer.start);
    return shareArm(span, offer) && shared > 0.3 * Math.min(span.end - span.start, offer.end - offer.start);
  });
}

export class Marks {
  constructor(bounds, changed) {
    this.bounds = bounds;
    this.changed = changed;
    this.spans = [];
    this.chosen = null;
    this.past = [];
    this.future = [];
    this.tag = null;
    this.saved = "[]";
  }

  get taken() {
    return this.spans.filter((span) => !span.offered);
  }

  get offers() {
    return this.spans.filter((span) => span.offered);
  }

  // Without what only may be exercise: that is taken one by one.
  get sureOffers() {
    return this.offers.filter((span) => !span.doubt?.maybe);
  }

  get rows() {
    return this.taken.map(rowOf);
  }

  get unsaved() {
    return JSON.stringify(this.rows) !== this.saved;
  }

  get span() {
    return this.spans.find(({ key }) => key === this.chosen) ?? null;
  }

  // What is on the disk, as a step that can be undone. first: nothing was there before.
  load(rows, first = false) {
    const loaded = inOrder(rows.map((cells) => makeSpan(cells)));
    const spans = inOrder([...loaded, ...this.offers.filter((offer) => !alreadyMarked(offer, loaded))]);
    if (first) this.spans = spans;
    else this.set(spans, null);
    this.saved = JSON.stringify(loaded.map(rowOf));
    this.changed();
  }

  markSaved(rows) {
    this.saved = JSON.stringify(rows);
    this.changed();
  }

  // Proposals come as they are found; they are no step of anybody's.
  offer(found) {
    const spans = found.map(({ cells, ...doubt }) => makeSpan(cells, true, doubt));
    this.spans = inOrder([...this.spans, ...spans.filter((span) => !alreadyMarked(span, this.taken))]);
    this.changed();
  }

  // tag: steps with the same one in a row are one step, as in a drag.
  set(spans, tag) {
    if (tag === null || tag !== this.tag) {
      this.past.push({ spans: this.spans, chosen: this.chosen });
      if (this.past.length > MOST_STEPS) this.past.shift();
    }
    this.tag = tag;
    this.future = [];
    this.spans = inOrder(spans);
    this.changed();
  }

  endStep() {
    this.tag = null;
  }

  choose(key) {
    this.chosen = key;
    this.tag = null;
    this.changed();
  }

  undo() {
    this.swap(this.past, this.future);
  }

  redo() {
    this.swap(this.future, this.past);
  }

  // A step that was not meant, as if it had never been.
  takeBack() {
    this.undo();
    this.future.pop();
    this.changed();
  }

  swap(from, to) {
    const step = from.pop();
    if (!step) return;
    to.push({ spans: this.spans, chosen: this.chosen });
    this.spans = step.spans;
    this.chosen = step.chosen;
    this.tag = null;
    this.changed();
  }

  put(span, changed, tag) {
    this.set(this.spans.map((own) => (own.key === span.key ? changed : own)), tag);
  }

  // part: start, end, or whole. The time that the start, the end, or the whole's start is moved to.
  move(span, part, to_s) {
    const [from, to] = this.bounds;
    let { start, end } = span;
    // One that is not wholly inside the recording is let in from outside, and moved by its own length.
    if (part === "start") start = rounded(clamped(to_s, Math.min(from, start), end - LEAST_S));
    else if (part === "end") end = rounded(clamped(to_s, start + LEAST_S, Math.max(to, end)));
    else {
      const length = end - start;
      start = rounded(clamped(to_s, Math.min(from, start), Math.max(to, end) - length));
      end = start + length;
    }
    if (start === span.start && end === span.end) return;
    this.put(span, { ...withCells(span, {}), start, end }, `${part} ${span.key}`);
  }

  edit(span, changes, tag = null) {
    this.put(span, withCells(span, changes), tag && `${tag} ${span.key}`);
  }

  take(spans) {
    const wanted = new Set(spans.map(({ key }) => key));
    this.set(this.spans.map((span) => (wanted.has(span.key) ? { ...span, offered: false } : span)), null);
  }

  remove(spans) {
    const wanted = new Set(spans.map(({ key }) => key));
    const place = this.spans.findIndex(({ key }) => wanted.has(key));
    const left = this.spans.filter(({ key }) => !wanted.has(key));
    this.set(left, null);
    this.choose(spans.length === 1 ? (left[Math.min(place, left.length - 1)]?.key ?? null) : null);
  }

  // A new set at a time, as long as there is room on this arm.
  add(at_s, side) {
    const [from, to] = this.bounds;
    const start = rounded(clamped(at_s, from, to - LEAST_S));
    const cells = { onset: String(start), duration: "0", trial_type: "set", ...(side ? { side } : {}) };
    const span = makeSpan(cells);
    const next = this.spans.find((own) => own.start > start && shareArm(own, span));
    span.end = rounded(Math.max(start + LEAST_S, Math.min(start + NEW_S, to, next?.start ?? to)));
    this.set([...this.spans, span], null);
    this.choose(span.key);
  }

  // Where a mark would be cut: at the cursor if that lies inside, else in its middle.
  cutOf(span, at_s) {
    const inside = at_s >= span.start + LEAST_S && at_s <= span.end - LEAST_S;
    return rounded(inside ? at_s : (span.start + span.end) / 2);
  }

  // Pain and effort were said after the whole set: they go with its second part. Reps that were counted live cannot be
  // shared out: the note keeps them.
  split(span, at_s) {
    const at = this.cutOf(span, at_s);
    if (at - span.start < LEAST_S || span.end - at < LEAST_S) return null;
    const counted = countWords(span.cells);
    const none = Object.fromEntries(Object.keys(countsOf(span.cells)).map((name) => [name, ""]));
    const note = joinedNote(span.cells.note, counted && `before the split: ${counted}`);
    const first = { ...withCells(span, { ...none, note, pain: "", effort: "" }), end: at };
    const second = { ...withCells(span, { ...none, note: "" }), key: ++keys, start: at };
    this.set(this.spans.flatMap((own) => (own.key === span.key ? [first, second] : [own])), null);
    this.choose(second.key);
    return at;
  }

  // The mark that this one can be merged with: the next of its kind, on an arm of its own.
  nextOf(span) {
    return this.spans.find((own) => own.start >= span.start && own.key !== span.key && own.cells.trial_type === span.cells.trial_type && shareArm(own, span)) ?? null;
  }

  // The first one's names stay, and what only the second one has; of two pains and efforts the higher; counts add up.
  merge(span) {
    const next = this.nextOf(span);
    if (!next) return null;
    const cells = { ...next.cells, ...span.cells, note: joinedNote(span.cells.note, next.cells.note) };
    for (const name of ["pain", "effort"]) {
      const said = [span, next].map((own) => own.cells[name]).filter(Boolean);
      if (said.length) cells[name] = said.sort((a, b) => Number(b) - Number(a))[0];
    }
    for (const side of ["right", "left"]) {
      for (const name of COUNTS.map((count) => `${side}_${count}`)) {
        const counted = [span, next].map((own) => own.cells[name]).filter(Boolean);
        if (counted.length) cells[name] = String(counted.reduce((sum, value) => sum + Number(value), 0));
      }
    }
    if (span.cells.side !== next.cells.side && span.cells.side && next.cells.side) cells.side = "both";
    const lost = next.cells.drill && span.cells.drill && next.cells.drill !== span.cells.drill ? `merged with ${next.cells.drill}` : "";
    cells.note = joinedNote(cells.note, lost);
    const joined = { ...withCells(span, cells), start: Math.min(span.start, next.start), end: Math.max(span.end, next.end) };
    this.set(this.spans.flatMap((own) => (own.key === span.key ? [joined] : own.key === next.key ? [] : [own])), null);
    this.choose(joined.key);
    return joined;
  }
}
