// Pain: asked before the first set and after each, and once more where the number stopped the session.
import { get, list, show, write } from "./parts.js";
import { OTHER, Question, Scale } from "./scale.js";

// answer(command, args): gives it to the server. drawn: told when another number was chosen.
export class Pain extends Question {
  constructor(answer, drawn) {
    super("pain", (value) => (value === null ? answer("not_rated") : answer("pain", { value })), drawn);
  }

  // worse: more pain is told than was rated.
  draw(frame, worse) {
    const summary = worse || frame.set_summary === null ? { headline: "", change: "" } : frame.set_summary;
    write(get("headline"), summary.headline ?? "");
    write(get("change"), summary.change ? `Change one thing: ${summary.change}` : "");
    const asked = { before: "How much pain is there now, before the first set?", set: "How much pain was there in this set?" };
    write(get("pain-question"), worse ? "How much pain is there now?" : asked[frame.pain.of]);
    show(get("pain-not-rated"), !worse);
    this.scale.least = worse ? 0 : OTHER;
  }
}

// The session has stopped; for some seconds a slip can be corrected.
export class Stop {
  constructor(answer) {
    this.send = answer;
    this.open = false;
    // Besides the numbers: the one that was given was meant.
    this.scale = new Scale(get("slip-scale"), "pain", OTHER, (value) => {
      show(get("correct"), value !== null && value !== OTHER);
      write(get("correct"), `It was ${value}`);
      get("meant").classList.toggle("chosen", value === OTHER);
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
    write(get("slip-left"), `If it was a slip, choose what was meant (▶ next, ◀ take it): ${Math.ceil(correct_s ?? 0)} s left.`);
    write(get("meant"), `Yes, ${value} was meant`);
    list(get("help"), help);
  }

  // What the middle button does elsewhere; there is none here, and one press corrects nothing.
  answer() {
    const { chosen } = this.scale;
    if (chosen === null) return write(get("slip-answer"), "Choose the number that was meant first.");
    this.begin();
    return chosen === OTHER ? this.send("pain_meant") : this.send("correct_pain", { value: chosen });
  }
}
