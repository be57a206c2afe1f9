// What was done, set by set, and the correction of a count by hand. Measured and corrected stand beside each other.
import { get, list, make, show, write } from "./parts.js";

const COLUMNS = ["Set", "Arm", "Reps", "Clean", "Extra", "Pain", "Effort"];
const drawn = new WeakMap();
const number = (value) => (value === null || value === undefined ? "–" : String(value));

// "9 of 10", and where it was corrected by hand what was measured.
function reps(arm) {
  const said = `${arm.count} of ${arm.asked}`;
  return arm.by_hand === null ? said : `${said}: ${arm.counted} counted, ${arm.by_hand} by hand`;
}

// Draws it anew only when it is another one.
function changed(box, what) {
  const key = JSON.stringify(what);
  if (drawn.get(box) === key) return false;
  drawn.set(box, key);
  return true;
}

export function table(box, sets) {
  if (!changed(box, sets)) return;
  const found = make("table");
  const head = found.createTHead().insertRow();
  for (const name of COLUMNS) {
    const cell = make("th", "", name);
    cell.scope = "col";
    head.append(cell);
  }
  const body = found.createTBody();
  for (const set of sets) {
    for (const [side, arm] of Object.entries(set.arms)) {
      const row = body.insertRow();
      const name = make("th", "", `${set.title}, ${set.set} of ${set.sets}`);
      name.scope = "row";
      const cells = [side, reps(arm), number(arm.clean), arm.extra ? `+${arm.extra}` : "–", number(set.pain), number(set.effort)];
      row.append(name, ...cells.map((text) => make("td", "", text)));
    }
  }
  box.replaceChildren(found);
}

export function over(frame) {
  list(get("left-out"), frame.left_out.map((text) => `Left out: ${text}`));
  table(get("over-sets"), frame.sets);
}

// The latest set's counts with a button to either side. send: gives a command.
export function counted(box, frame, send) {
  const set = frame.sets.at(-1);
  show(box, set !== undefined);
  if (set === undefined || !changed(box, set.arms)) return;
  const several = Object.keys(set.arms).length > 1;
  box.replaceChildren(
    ...Object.entries(set.arms).map(([side, arm]) => {
      const line = make("p", "count-line");
      const words = make("span");
      write(words, `${several ? `${side}: ` : ""}${reps(arm)}${arm.by_hand === null ? (arm.asked === 1 ? " rep" : " reps") : ""}${arm.extra ? `, ${arm.extra} extra` : ""}`);
      line.append(words, ...[-1, 1].map((by) => correction(side, by, send)));
      return line;
    }),
  );
}

function correction(side, by, send) {
  const button = make("button", "", by > 0 ? "+1" : "−1");
  button.type = "button";
  button.setAttribute("aria-label", `one rep ${by > 0 ? "more" : "less"}, ${side} arm`);
  button.addEventListener("click", () => send("count", { side, by }));
  return button;
}

// For the list of what else can be done: one more or less of each arm.
export function corrections(arms, send) {
  return Object.entries(arms)
    .filter(([, arm]) => arm.count !== undefined && arm.asked !== undefined)
    .flatMap(([side, arm]) =>
      [1, -1].map((by) => [`${by > 0 ? "+1" : "−1"} rep, ${side} arm (now ${arm.count})`, () => send("count", { side, by })]),
    );
}
