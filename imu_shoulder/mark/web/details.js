// What is known of the chosen mark, to be read and changed.
import { get, make, show, write } from "./parts.js";
import { countWords } from "./marks.js";
import { amount, clock, seconds } from "./words.js";

const NUDGE_S = 0.5;
const MOST_OTHERS = 3;
const RATED = ["pain", "effort"];

export class Details {
  // names, marks: functions that give them.
  constructor(marks, names) {
    this.marks = marks;
    this.names = names;
    const change = (changes, tag) => this.marks().span && this.marks().edit(this.marks().span, changes, tag);
    get("trial_type").addEventListener("change", (event) => change(changesOfType(event.target.value)));
    get("drill").addEventListener("change", (event) => change({ drill: event.target.value, direction: "" }));
    for (const name of ["direction", ...RATED]) get(name).addEventListener("change", (event) => change({ [name]: event.target.value }));
    for (const radio of document.querySelectorAll("[name=side]")) radio.addEventListener("change", () => change({ side: radio.value }));
    get("note").addEventListener("input", (event) => change({ note: event.target.value }, "note"));
    get("note").addEventListener("change", () => this.marks().endStep());
    get("load_kg").addEventListener("change", ({ target }) => {
      const value = amount(target.value);
      target.setAttribute("aria-invalid", String(value === null));
      if (value !== null) change({ load_kg: value });
    });
    for (const part of ["start", "end"]) {
      get(part).addEventListener("change", ({ target }) => {
        const s = seconds(target.value);
        target.setAttribute("aria-invalid", String(s === null));
        if (s !== null) this.marks().move(this.marks().span, part, s);
        this.marks().endStep();
        // What was typed may have been too much: what came of it stands there.
        if (s !== null) target.value = clock(this.marks().span[part]);
      });
      for (const [which, way] of [["less", -1], ["more", 1]]) {
        get(`${part}-${which}`).addEventListener("click", () => {
          const { span } = this.marks();
          if (span) this.marks().move(span, part, span[part] + way * NUDGE_S);
        });
      }
    }
    get("form").addEventListener("submit", (event) => event.preventDefault());
  }

  fill(head) {
    get("trial_type").replaceChildren(...head.types.map(({ name, title }) => new Option(title, name)));
    const groups = new Map();
    for (const { name, title, group } of head.drills) {
      if (!groups.has(group)) groups.set(group, Object.assign(make("optgroup"), { label: group }));
      groups.get(group).append(new Option(title, name));
    }
    get("drill").replaceChildren(new Option("No drill named", ""), ...groups.values());
    for (const name of RATED) get(name).replaceChildren(new Option("Not rated", ""), ...Array.from({ length: 11 }, (_, k) => new Option(String(k), String(k))));
  }

  draw() {
    const marks = this.marks();
    const { span } = marks;
    show(get("form"), span !== null);
    show(get("none"), span === null);
    const place = marks.spans.indexOf(span) + 1;
    write(get("details-title"), span ? `${place} of ${marks.spans.length}: ${this.names().of(span)}` : marks.spans.length ? "No mark is chosen" : "No marks yet");
    get("before").disabled = get("after").disabled = marks.spans.length === 0;
    if (!span) return;
    const { cells } = span;
    const isSet = cells.trial_type === "set";
    for (const element of document.querySelectorAll("#form .of-set")) show(element, isSet);
    pick("trial_type", cells.trial_type);
    pick("drill", cells.drill ?? "");
    const directions = this.names().drills.get(cells.drill)?.directions ?? [];
    const wanted = ["", ...new Set([...directions, ...(cells.direction ? [cells.direction] : [])])];
    const direction = get("direction");
    if ([...direction.options].map(({ value }) => value).join() !== wanted.join()) direction.replaceChildren(...wanted.map((name) => new Option(name || "The usual one", name)));
    pick("direction", cells.direction ?? "");
    show(get("direction-row"), isSet && wanted.length > 1);
    for (const radio of document.querySelectorAll("[name=side]")) radio.checked = radio.value === (cells.side ?? "");
    for (const name of RATED) pick(name, cells[name] ?? "");
    show(get("pain-row"), isSet || cells.trial_type === "neutral_pose" || "pain" in cells);
    write(get("pain-word"), isSet ? "Pain after the set" : "Pain before the first set");
    type("load_kg", cells.load_kg ?? "");
    type("note", cells.note ?? "");
    type("start", clock(span.start));
    type("end", clock(span.end));
    write(get("lasts"), `· lasts ${clock(span.end - span.start)}`);
    const counted = countWords(cells);
    show(get("counts"), isSet && counted !== "");
    write(get("counts"), `Counted live: ${counted}`);
    this.hint(span);
  }

  // What it may be instead, likeliest first: one press names it.
  others(alternatives) {
    const box = get("others");
    const text = JSON.stringify(alternatives);
    if (box.dataset.text === text) return;
    box.dataset.text = text;
    box.replaceChildren(
      ...alternatives.slice(0, MOST_OTHERS).map(([name, share]) => {
        const button = make("button", "", `Or ${name ? this.names().drill(name) : "none of the drills"}, ${Math.round(100 * share)} %`);
        button.type = "button";
        button.addEventListener("click", () => this.marks().edit(this.marks().span, { drill: name, direction: "" }));
        return button;
      }),
    );
  }

  hint({ offered, doubt, cells }) {
    show(get("hint"), offered);
    if (!offered) return;
    const sure = doubt?.probability ?? null;
    // Drills stand in it by the names of their files.
    const words = (doubt?.said ?? "").replace(/[a-z_]+/g, (word) => (this.names().drills.has(word) ? this.names().drill(word) : word));
    const said = words && ` ${words[0].toUpperCase()}${words.slice(1)}.`;
    const how = doubt?.maybe ? "May be exercise, and is not counted until you take it" : "Proposed";
    write(get("hint-text"), `${how}${sure === null ? "" : `, ${Math.round(100 * sure)} % sure`}.${said}`);
    this.others(cells.trial_type === "set" ? (doubt?.alternatives ?? []) : []);
  }
}

// A calibration movement has no drill, load or effort.
function changesOfType(name) {
  const changes = { trial_type: name };
  return name === "set" ? changes : { ...changes, drill: "", direction: "", effort: "", load_kg: "" };
}

// Choose a value, also one that a file has and the list has not.
function pick(id, value) {
  const select = get(id);
  if (![...select.options].some((option) => option.value === value)) select.append(new Option(value, value));
  select.value = value;
}

// A field that somebody writes in keeps what he writes.
function type(id, value) {
  const field = get(id);
  if (document.activeElement === field) return;
  if (field.value !== value) field.value = value;
  field.setAttribute("aria-invalid", "false");
}
