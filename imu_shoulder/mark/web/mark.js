// The page: what the server knows, drawn; what is done with marks; saving and analysing.
import { Curves } from "./curves.js";
import { Details } from "./details.js";
import { drawAxis, drawLanes, drawList, drawOverview } from "./drawing.js";
import { Marks } from "./marks.js";
import { get, list, show, write } from "./parts.js";
import { Spans, stepOf } from "./spans.js";
import { View, watchPointers, watchStrip } from "./view.js";
import { clock, Names, spoken } from "./words.js";

const BUSY_MS = 500;
const IDLE_MS = 4000;
const CURSOR_FACTOR = 10;
const SPEED = "speed";

let state = null;
let names = null;
let view = null;
let marks = null;
let cursor = 0;
// The version of events.tsv that this page has read or written, and one that it has told of.
let version = null;
let told = null;
let offered = false;
let saving = false;
let waiting = false;
let kindChosen = false;
let shownAnalysis = true;
let polling = null;

const main = new Curves(later);
// How fast the arm turns stands behind every curve: it shows that something is done, whatever angle is looked at.
const speed = new Curves(later);
const spans = new Spans(get("spans"), { marks: () => marks, view: () => view, names: () => names, acted });
const details = new Details(() => marks, () => names);
const say = (text) => write(get("status"), text);

async function ask(path, body = null) {
  const reply = await fetch(path, body === null ? {} : { method: "POST", body: JSON.stringify(body) });
  const text = await reply.text();
  let value;
  try {
    value = JSON.parse(text);
  } catch {
    value = { text: text.trim() };
  }
  return { ok: reply.ok, status: reply.status, value };
}

async function poll() {
  clearTimeout(polling);
  try {
    const { ok, value } = await ask("state");
    if (ok) await news(value);
  } catch {
    alarm("No connection to the program: start it again, then save. Your marks are still on this page.");
  }
  const busy = !state || state.stage || state.analysis.state === "running";
  polling = setTimeout(poll, busy ? BUSY_MS : IDLE_MS);
}

async function news(fresh) {
  state = fresh;
  const failed = state.failed && `This recording cannot be shown: ${state.failed}`;
  if (failed) alarm(failed);
  if (state.head && !marks) await begin(state.head);
  if (!marks) {
    write(get("doing"), failed ? "" : `${state.stage} ...`);
    return;
  }
  if (told === "lost") calm();
  if (state.proposals && !offered) {
    offered = true;
    marks.offer(state.proposals);
    aim();
  }
  curves();
  if (state.version !== version && state.version !== told && !saving) conflict();
  analysed();
  later();
}

async function begin(head) {
  const { ok, value } = await ask("marks");
  if (!ok) alarm(`events.tsv cannot be read: ${value.text}. Mend or move it, then reload this page.`);
  names = new Names(head);
  // Marks outside the recording are in sight, so that they can be brought back.
  const rows = ok ? value.rows : [];
  const from = Math.min(head.from_s, ...rows.map((row) => Number(row.onset)));
  const to = Math.max(head.to_s, ...rows.map((row) => Number(row.onset) + Number(row.duration)));
  view = new View(from, to, later);
  marks = new Marks([head.from_s, head.to_s], later);
  cursor = head.from_s;
  version = ok ? value.version : null;
  marks.load(rows, true);
  details.fill(head);
  write(get("title"), `Mark ${head.name}`);
  write(get("whose"), `${head.athlete} · ${new Date(head.start).toLocaleDateString("en-GB", { day: "numeric", month: "long", year: "numeric" })} · ${clock(head.to_s - head.from_s, true)} long`);
  document.title = `Mark ${head.name}`;
  watchPointers(get("lanes"), () => view, tap);
  watchStrip(get("overview"), () => view);
  new ResizeObserver(later).observe(get("stage"));
  document.body.dataset.stage = "marks";
}

// The first mark is chosen, so that something can be done at once.
function aim() {
  if (marks.chosen === null && marks.spans.length) marks.choose((marks.spans.find(({ cells }) => cells.trial_type === "set") ?? marks.spans[0]).key);
}

function curves() {
  const select = get("kind");
  const known = [...select.options].map(({ value }) => value).join();
  if (known !== state.kinds.map(({ name }) => name).join()) {
    const kept = kindChosen ? select.value : null;
    select.replaceChildren(...state.kinds.map(({ name, title }) => new Option(title, name)));
    if (state.kinds.some(({ name }) => name === kept)) select.value = kept;
  }
  const kind = state.kinds.find(({ name }) => name === select.value) ?? null;
  main.show(kind);
  speed.show(state.kinds.find(({ name }) => name === SPEED) ?? null);
}

// Everything is drawn once per screen refresh.
function later() {
  if (waiting) return;
  waiting = true;
  requestAnimationFrame(() => {
    waiting = false;
    if (marks) draw();
  });
}

function draw() {
  const style = getComputedStyle(document.body);
  const lanes = drawLanes({ main, speed, view, arms: state.head.arms }, style);
  drawAxis(view, style);
  drawOverview(speed, view, marks.spans, style);
  spans.draw(lanes);
  placeCursor();
  details.draw();
  drawList(marks, names);
  buttons();
}

function placeCursor() {
  const at = get("cursor");
  const x = (cursor - view.from) / view.span;
  at.style.left = `${(100 * Math.min(Math.max(x, -0.1), 1.1)).toFixed(3)}%`;
  at.classList.toggle("flip", x > 0.9);
  const [from, to] = marks.bounds;
  const said = { valuemin: from.toFixed(1), valuemax: to.toFixed(1), valuenow: cursor.toFixed(1), valuetext: spoken(cursor) };
  for (const [name, value] of Object.entries(said)) at.setAttribute(`aria-${name}`, value);
  write(get("cursor-time"), clock(cursor));
}

function buttons() {
  const { span } = marks;
  const running = state.analysis.state === "running";
  get("undo").disabled = !marks.past.length;
  get("redo").disabled = !marks.future.length;
  get("save").disabled = saving || !marks.unsaved;
  write(get("save"), marks.unsaved ? "Save" : version ? "✓ Saved" : "Save");
  get("save").classList.toggle("go", marks.unsaved);
  get("analyse").classList.toggle("go", !marks.unsaved && !marks.offers.length);
  get("analyse").disabled = saving || running || Boolean(state.failed);
  write(get("analyse"), running ? "Analysing ..." : marks.unsaved ? "Save and analyse" : "Analyse");
  for (const id of ["split", "remove", "to-mark"]) get(id).disabled = !span;
  get("merge").disabled = !span || !marks.nextOf(span);
  const offers = marks.sureOffers.length;
  const maybe = marks.offers.length - offers;
  const sure = offers ? `${offers} ${offers === 1 ? "proposal" : "proposals"}, hatched: not saved until you take or change ${offers === 1 ? "it" : "them"}.` : "";
  const unsure = maybe ? `${maybe} ${maybe === 1 ? "stretch" : "stretches"} named Maybe: look at ${maybe === 1 ? "it, and take it" : "each, and take those"} if it was exercise.` : "";
  show(get("offer"), offers + maybe > 0);
  show(get("take-all"), offers > 0);
  write(get("offer-text"), [sure, unsure].filter(Boolean).join(" "));
  write(get("take-all"), offers === 1 ? "Take it" : `Take all ${offers}`);
  const doing = running ? state.analysis.stage : state.stage;
  get("lanes").setAttribute("aria-busy", String(Boolean(state.stage)));
  write(get("doing"), doing ? `${doing} ...` : noAngles());
}

function noAngles() {
  if (!state.no_angles) return "";
  const seen = state.kinds.some(({ name }) => name.endsWith("_deg"));
  return seen ? `The calibration that is marked was not used for these curves: ${state.no_angles}` : "No angles without a neutral pose: mark one, and they come.";
}

function alarm(text, choices = false) {
  told = choices ? state.version : "lost";
  write(get("alarm-text"), text);
  show(get("alarm"), true);
  for (const id of ["alarm-show", "alarm-mine"]) show(get(id), choices);
}

function calm() {
  if (!get("alarm-show").hidden || state?.failed || version === null) return;
  show(get("alarm"), false);
  told = null;
}

// The file is another than the one that this page knows: it is told, and nothing is written over.
function conflict() {
  if (version === null) return;
  if (!marks.unsaved && !marks.past.length) {
    reread("events.tsv was changed by another page or program: this is what it has now.");
    return;
  }
  alarm("events.tsv was changed meanwhile by another page or program. Your marks are not saved, and theirs are not written over.", true);
}

async function reread(text) {
  const { ok, value } = await ask("marks");
  if (!ok) return alarm(`events.tsv cannot be read: ${value.text}`);
  version = value.version;
  marks.load(value.rows, !marks.past.length && !marks.unsaved);
  aim();
  show(get("alarm"), false);
  told = null;
  return say(text);
}

async function save(over = version) {
  if (saving) return false;
  saving = true;
  later();
  const { rows } = marks;
  try {
    const { ok, status, value } = await ask("marks", { version: over, rows });
    if (!ok) {
      if (status === 409) {
        const fresh = await ask("state");
        if (fresh.ok) state = fresh.value;
        conflict();
      } else alarm(`Not saved: ${value.text}`);
      return false;
    }
    version = state.version = value.version;
    marks.markSaved(rows);
    show(get("alarm"), false);
    told = null;
    const left = marks.offers.length ? ` ${marks.offers.length} proposed marks were not taken and are not in it.` : "";
    say(`Saved ${rows.length} marks in events.tsv.${value.kept ? ` The one before is ${value.kept}.` : ""}${left}`);
    return true;
  } catch {
    alarm("Not saved: no connection to the program. Your marks are still on this page.");
    return false;
  } finally {
    saving = false;
    later();
  }
}

async function analyse() {
  if (marks.unsaved && !(await save())) return;
  show(get("result"), false);
  const { ok, value } = await ask("analyse", {});
  if (!ok) return say(value.text);
  state.analysis = { state: "running", stage: "" };
  shownAnalysis = false;
  later();
  return poll();
}

function analysed() {
  const { analysis } = state;
  if (shownAnalysis || !["done", "failed"].includes(analysis.state)) return;
  shownAnalysis = true;
  show(get("result"), true);
  const done = analysis.state === "done";
  write(get("result-word"), done ? "✓ Analysed" : `Not analysed: ${analysis.text}`);
  list(get("result-lines"), done ? analysis.lines : []);
  show(get("result-lines"), done);
  show(get("report"), done);
}

function tap(t, event) {
  setCursor(t);
  const lane = event.target.closest(".lane")?.dataset.side;
  const inside = marks.spans.filter(({ start, end }) => start <= t && t <= end);
  const hit = inside.find(({ cells }) => cells.side === lane) ?? inside.find(({ cells }) => !cells.side || cells.side === "both");
  if (hit) marks.choose(hit.key);
}

function setCursor(t) {
  const [from, to] = marks.bounds;
  cursor = Math.round(Math.min(Math.max(t, from), to) * 100) / 100;
  later();
}

const DOES = {
  undo: () => marks.undo(),
  redo: () => marks.redo(),
  save: () => save(),
  analyse,
  earlier: () => view.pan(-view.span / 2),
  later: () => view.pan(view.span / 2),
  closer: () => view.zoom(0.5, zoomAt()),
  wider: () => view.zoom(2, zoomAt()),
  whole: () => view.set(...view.bounds),
  "to-mark": () => {
    const { start, end } = marks.span;
    const room = Math.max(2, 0.25 * (end - start));
    view.set(start - room, end + room);
  },
  "take-all": () => marks.take(marks.sureOffers),
  "leave-all": () => marks.remove(marks.offers),
  take: () => marks.take([marks.span]),
  add: () => {
    marks.add(cursor, state.head.arms.length === 1 ? state.head.arms[0] : "");
    view.include(marks.span.start, marks.span.end);
    say(`Added a set at ${spoken(marks.span.start)}.`);
  },
  split: () => {
    const at = marks.split(marks.span, cursor);
    say(at === null ? "Too short to be split." : `Split at ${spoken(at)}.`);
  },
  merge: () => say(marks.merge(marks.span) ? "Merged with the next." : "There is no next one of its kind."),
  remove: () => {
    say(`Deleted ${names.whole(marks.span)}. Undo brings it back.`);
    marks.remove([marks.span]);
  },
  before: () => turn(-1),
  after: () => turn(1),
  "alarm-show": () => reread("This is what events.tsv has now. Undo brings yours back."),
  "alarm-mine": () => save(state.version),
  "result-close": () => show(get("result"), false),
};

const zoomAt = () => (cursor > view.from && cursor < view.to ? cursor : undefined);

function turn(by) {
  const place = marks.spans.indexOf(marks.span);
  const next = marks.spans[(place + by + marks.spans.length) % marks.spans.length];
  marks.choose(next.key);
  view.include(next.start, next.end);
}

// Keys on a mark. A letter alone acts only where the focus is on one, so that nobody sets it off by talking to the page.
function acted(event) {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const id = { Delete: "remove", Backspace: "remove", s: "split", m: "merge", t: "take" }[event.key];
  if (event.key === "Enter") {
    event.preventDefault();
    get("trial_type").focus();
  } else if (id && marks.span) {
    event.preventDefault();
    DOES[id]();
    // The focus goes on to what took its place.
    requestAnimationFrame(() => requestAnimationFrame(() => spans.slider(marks.chosen)?.focus()));
  } else if (event.key === "Escape") {
    event.preventDefault();
    get("cursor").focus();
  }
  marks.endStep();
}

for (const [id, does] of Object.entries(DOES)) get(id).addEventListener("click", does);
get("kind").addEventListener("change", () => {
  kindChosen = true;
  curves();
  later();
});
get("list").addEventListener("click", (event) => {
  const button = event.target.closest("button");
  if (!button) return;
  const span = marks.spans.find(({ key }) => String(key) === button.dataset.key);
  marks.choose(span.key);
  setCursor((span.start + span.end) / 2);
  view.include(span.start, span.end);
});
get("cursor").addEventListener("keydown", (event) => {
  const step = stepOf(event) * (event.key.startsWith("Page") ? 1 : CURSOR_FACTOR);
  if (step) {
    event.preventDefault();
    setCursor(cursor + step);
    view.include(cursor);
  } else if (event.key === "a" && !event.ctrlKey && !event.metaKey && !event.altKey) DOES.add();
});
document.addEventListener("keydown", (event) => {
  if (!marks || !(event.ctrlKey || event.metaKey) || event.altKey) return;
  const key = event.key.toLowerCase();
  // In a text field the browser's own undo is meant.
  if (["z", "y"].includes(key) && event.target.matches("textarea, input:not([type=radio])")) return;
  const id = key === "s" ? "save" : key === "y" || (key === "z" && event.shiftKey) ? "redo" : key === "z" ? "undo" : null;
  if (!id) return;
  event.preventDefault();
  // Whether there is something to save is asked here, not of the button: that one is drawn a moment later.
  if (id !== "save" || marks.unsaved) DOES[id]();
});
addEventListener("beforeunload", (event) => {
  if (marks?.unsaved) event.preventDefault();
});
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", later);
poll();
