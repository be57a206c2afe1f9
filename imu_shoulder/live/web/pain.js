// Pain: asked before the first set and after each, and once more where the number stopped the session. No number is
// preset, and none is given by one press: a first press chooses, a second one answers.
import { get, list, make, show, write } from "./parts.js";

const NOT_RATED = -1;
const MOST = 10;

// The numbers as buttons. least: NOT_RATED where that can be chosen, too; changed: told of a choice.
class Scale {
  constructor(box, least, changed) {
    this.least = least;
    this.changed = changed;
    this.buttons = Array.from({ length: MOST + 1 }, (_, value) => {
      const button = make("button", "", String(value));
      button.type = "button";
      button.setAttribute("aria-label", `pain ${value} of ${MOST}`);
      button.addEventListener("click", () => this.choose(value));
      return button;
    });
    box.append(...this.buttons);
    this.choose(null);
  }

  choose(value) {
    this.chosen = value;
    this.typedOne = false;
    this.buttons.forEach((button, number) => {
      button.classList.toggle("chosen", number === value);
      button.setAttribute("aria-pressed", String(number === value));
    });
    this.changed?.(value);
  }

  move(by) {
    const from = this.chosen ?? (by > 0 ? -1 : this.least + 1);
    this.choose(Math.max(this.least, Math.min(MOST, from + by)));
  }

  // 1 and then 0 is 10.
  type(digit) {
    const ten = digit === 0 && this.chosen === 1 && this.typedOne;
    this.choose(ten ? MOST : digit);
    this.typedOne = digit === 1;
  }
}

// answer(command, args): gives it to the server. drawn: told when another number was chosen.
export class Pain {
  constructor(answer, drawn) {
    this.send = answer;
    this.scale = new Scale(get("scale"), NOT_RATED, (value) => {
      write(get("pain-number"), value === null ? "?" : value === NOT_RATED ? "–" : String(value));
      write(get("pain-unit"), value === NOT_RATED ? "not rated" : `of ${MOST}`);
      get("not-rated").classList.toggle("chosen", value === NOT_RATED);
      get("not-rated").setAttribute("aria-pressed", String(value === NOT_RATED));
      drawn();
    });
    get("not-rated").addEventListener("click", () => this.scale.choose(NOT_RATED));
  }

  // A new question: nothing is chosen.
  begin() {
    this.scale.choose(null);
  }

  // worse: more pain is told than was rated.
  draw(frame, worse) {
    const summary = worse || frame.set_summary === null ? { headline: "", change: "" } : frame.set_summary;
    write(get("headline"), summary.headline ?? "");
    write(get("change"), summary.change ? `Change one thing: ${summary.change}` : "");
    const asked = { before: "How much pain is there now, before the first set?", set: "How much pain was there in this set?" };
    write(get("pain-question"), worse ? "How much pain is there now?" : asked[frame.pain.of]);
    show(get("not-rated"), !worse);
    this.scale.least = worse ? 0 : NOT_RATED;
  }

  // Words on the middle button; null where nothing is chosen.
  get word() {
    const { chosen } = this.scale;
    return chosen === null ? null : chosen === NOT_RATED ? "Answer: not rated" : `Answer ${chosen} of ${MOST}`;
  }

  answer() {
    const { chosen } = this.scale;
    if (chosen === null) return write(get("answer"), "Choose a number first, or “Not rated”.");
    this.begin();
    return chosen === NOT_RATED ? this.send("not_rated") : this.send("pain", { value: chosen });
  }
}

// The session has stopped; for some seconds a slip can be corrected.
export class Stop {
  constructor(answer) {
    this.send = answer;
    this.open = false;
    this.scale = new Scale(get("slip-scale"), 0, (value) => {
      show(get("correct"), value !== null);
      write(get("correct"), `It was ${value}`);
    });
    get("meant").addEventListener("click", () => this.send("pain_meant"));
    get("correct").addEventListener("click", () => this.answer());
  }

  begin() {
    this.scale.choose(null);
    write(get("slip-answer"), "");
  }

  draw(frame, help) {
    const { text, value, correct_s } = frame.pain;
    this.open = correct_s !== null;
    write(get("stop-text"), text);
    show(get("slip"), this.open);
    write(get("slip-question"), `Was ${value} meant?`);
    write(get("slip-left"), `If it was a slip, choose the number that was meant: ${Math.ceil(correct_s ?? 0)} s left.`);
    write(get("meant"), `Yes, ${value} was meant`);
    list(get("help"), help);
  }

  // What the middle button does elsewhere; there is none here, and one press corrects nothing.
  answer() {
    const { chosen } = this.scale;
    if (chosen === null) return write(get("slip-answer"), "Choose the number that was meant first.");
    this.begin();
    return this.send("correct_pain", { value: chosen });
  }
}
