// A question with a number from 0 to 10 for an answer. No number is preset, and none is given by one press: a first
// press chooses, a second one answers.
import { get, make, write } from "./parts.js";

// In the place of a number: what else can be answered, such as "not rated".
export const OTHER = -1;
export const MOST = 10;

// The numbers as buttons. what: is rated; least: OTHER where that can be chosen, too; changed: told of a choice.
export class Scale {
  constructor(box, what, least, changed) {
    this.least = least;
    this.changed = changed;
    this.buttons = Array.from({ length: MOST + 1 }, (_, value) => {
      const button = make("button", "", String(value));
      button.type = "button";
      button.setAttribute("aria-label", `${what} ${value} of ${MOST}`);
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

  // One up or down, no further than the ends.
  move(by) {
    const from = this.chosen ?? (by > 0 ? -1 : this.least + 1);
    this.choose(Math.max(this.least, Math.min(MOST, from + by)));
  }

  // The next choice, round and round: for whoever has one button to choose and one to answer.
  next() {
    this.choose(this.chosen === MOST ? this.least : (this.chosen ?? -1) + 1);
  }

  // 1 and then 0 is 10.
  type(digit) {
    const ten = digit === 0 && this.chosen === 1 && this.typedOne;
    this.choose(ten ? MOST : digit);
    this.typedOne = digit === 1;
  }
}

// A question that can be left unrated. name: of its elements in the page; answer(number): null for not rated; drawn:
// told when another number was chosen.
export class Question {
  constructor(name, answer, drawn) {
    this.give = answer;
    const other = get(`${name}-not-rated`);
    this.scale = new Scale(get(`${name}-scale`), name, OTHER, (value) => {
      write(get(`${name}-number`), value === null ? "?" : value === OTHER ? "–" : String(value));
      write(get(`${name}-unit`), value === OTHER ? "not rated" : `of ${MOST}`);
      other.classList.toggle("chosen", value === OTHER);
      other.setAttribute("aria-pressed", String(value === OTHER));
      drawn();
    });
    other.addEventListener("click", () => this.scale.choose(OTHER));
  }

  // A new question: nothing is chosen.
  begin() {
    this.scale.choose(null);
  }

  // Words on the middle button; null where nothing is chosen.
  get word() {
    const { chosen } = this.scale;
    return chosen === null ? null : chosen === OTHER ? "Answer: not rated" : `Answer ${chosen} of ${MOST}`;
  }

  answer() {
    const { chosen } = this.scale;
    if (chosen === null) return write(get("answer"), "Choose a number first, or “Not rated”.");
    this.begin();
    return this.give(chosen === OTHER ? null : chosen);
  }
}
