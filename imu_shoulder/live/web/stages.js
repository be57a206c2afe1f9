// What is shown before, between and after the sets. It draws the last frame.
import { clock, get, list, make, repCount, show, Squeezed, svg, write } from "./parts.js";

const STEPS = { pose: "Stand still", bends: "Elbow bends", raises: "Forward raises", high: "Elbow bends, arms up (optional)" };
const ORDER = Object.keys(STEPS);
// Shoulder, elbow, hand of each arm, and where the arm comes from; seen from the front, then from the side.
const FIGURES = {
  pose: { side: false, arms: ["M 33 44 L 29 74 L 28 100", "M 67 44 L 71 74 L 72 100"], from: [] },
  bends: { side: true, arms: ["M 50 44 L 50 74 L 64 52"], from: ["M 50 44 L 50 74 L 50 102"] },
  high: { side: false, arms: ["M 33 44 L 14 44 L 16 20", "M 67 44 L 86 44 L 84 20"], from: ["M 33 44 L 2 44", "M 67 44 L 98 44"] },
  raises: { side: true, arms: ["M 50 44 L 78 44 L 102 44"], from: ["M 50 44 L 50 74 L 50 102"] },
};
const stepText = new Squeezed(get("step-text"), 2, 6);
const verdictText = new Squeezed(get("verdict"), 2, 6);
const sentence = (text) => text.charAt(0).toUpperCase() + text.slice(1);
const plain = (name) => sentence(name.replaceAll("_", " "));

export function calibrate(frame) {
  const { step, text, still, verdict, because, count, asked } = frame.calibration;
  const at = step === "ready" ? ORDER.length : ORDER.indexOf(step);
  const steps = get("steps");
  if (steps.dataset.at !== String(at)) {
    steps.dataset.at = at;
    steps.replaceChildren(
      ...ORDER.map((name, place) => {
        const item = make("li", place < at ? "done" : place === at ? "now" : "", STEPS[name]);
        if (place === at) item.setAttribute("aria-current", "step");
        return item;
      }),
    );
    figure(step);
  }
  stepText.write(text);
  write(get("still-label"), asked === null ? "still so far" : `${step === "high" ? "bends" : step} seen`);
  write(get("still-number"), asked === null ? String(Math.round(100 * still)) : String(count));
  write(get("still-unit"), asked === null ? "%" : `of ${asked}`);
  get("still-bar").style.transform = `scaleX(${Math.max(0, Math.min(1, still)).toFixed(3)})`;
  const said = { good: "✓ Good", again: "↻ Again" }[verdict] ?? "";
  verdictText.write(verdict === "again" && because ? `${said}, because ${because}` : said);
  get("verdict").dataset.verdict = verdict ?? "";
  // The verdict on the step before stands until the next one begins.
  show(get("progress"), frame.calibration.running || verdict === null);
}

function figure(step) {
  const found = FIGURES[step];
  const box = get("step-figure");
  box.setAttribute("viewBox", "0 0 116 176");
  if (!found) return box.replaceChildren();
  const body = found.side
    ? "M 50 40 V 102 L 47 136 V 170 M 50 102 L 53 136 V 170 M 53 170 H 60 M 47 170 H 54"
    : "M 33 44 H 67 M 50 44 V 102 M 42 102 H 58 M 42 102 L 40 170 M 58 102 L 60 170";
  box.replaceChildren(
    svg("circle", { cx: 50, cy: 22, r: 13, class: "body" }),
    svg("path", { d: body, class: "body" }),
    ...found.from.map((d) => svg("path", { d, class: "limb-from" })),
    ...found.arms.map((d) => svg("path", { d, class: "bone" })),
  );
  return box;
}

// always: the cautions that stand with every drill.
export function ready(frame, always) {
  const drill = frame.drill;
  if (drill === null) return;
  const { reps, hold_s } = drill.asked;
  write(get("asked"), `${repsWord(reps)}${hold_s ? ` · hold ${hold_s} s` : ""}`);
  rest(frame.rest);
  list(get("set-up"), drill.set_up);
  list(get("drill-cautions"), [...drill.cautions, ...always]);
  list(get("not-seen"), drill.not_seen ?? []);
  write(get("pain-noted"), frame.pain.text);
}

// What a set asks of each arm: "10 reps", "10 reps each arm", "4 right, 6 left".
function repsWord(reps) {
  const numbers = Object.values(reps);
  if (numbers.length < 2) return repCount(numbers[0]);
  if (numbers.every((n) => n === numbers[0])) return `${repCount(numbers[0])} each arm`;
  return Object.entries(reps).map(([side, n]) => `${n} ${side}`).join(", ");
}

function rest(left) {
  show(get("rest"), left !== null);
  if (left === null) return;
  const s = Math.ceil(left.left_s);
  write(get("rest"), s > 0 ? `Rest ${clock(s)}` : "✓ Rest is over");
  get("rest").classList.toggle("over", s <= 0);
}

export function done(saved) {
  const words = {
    running: "",
    saving: "The recording is being saved and the report written …",
    saved: "✓ The recording and the report are saved.",
    failed: `The report could not be written: ${saved.text}`,
  };
  write(get("done-text"), words[saved.state]);
  show(get("report"), saved.state === "saved");
  const paths = [saved.folder && `Recording: ${saved.folder}`, saved.report && `Report: ${saved.report}`];
  write(get("paths"), paths.filter(Boolean).join("\n"));
}

const WORN = new Map([
  [true, "✓ on the right limb"],
  [false, "× check where it is worn"],
  [null, "not known yet"],
]);
const COLUMNS = ["Sensor", "Rate", "Lost", "Battery", "Heard", "Worn"];

export function troubled(sensor) {
  return sensor.seen_s_ago === null || sensor.seen_s_ago > 1 || sensor.on_limb === false || sensor.loss_pct > 5;
}

export class Sensors {
  draw(frame) {
    const placements = Object.keys(frame.sensors);
    const key = placements.join();
    if (this.key !== key) {
      this.key = key;
      this.build(placements);
    }
    let odd = 0;
    for (const placement of placements) {
      const sensor = frame.sensors[placement];
      const bad = troubled(sensor);
      odd += bad;
      const row = this.rows[placement];
      row.classList.toggle("odd", bad);
      const [rate, loss, battery, heard, worn] = [...row.children].slice(1);
      write(rate, sensor.rate_hz === null ? "–" : `${Math.round(sensor.rate_hz)} Hz`);
      write(loss, sensor.loss_pct === null ? "–" : `${sensor.loss_pct.toFixed(1)} %`);
      write(battery, sensor.battery_pct === null ? "not told" : `${sensor.battery_pct} %`);
      write(heard, heardWord(sensor.seen_s_ago));
      write(worn, WORN.get(sensor.on_limb ?? null));
    }
    this.odd = odd > 0;
    const count = placements.length;
    write(get("sensors-word"), odd ? `× ${odd} of ${count} sensors` : `✓ ${count} sensors`);
    get("sensors-button").classList.toggle("odd", odd > 0);
  }

  build(placements) {
    const table = make("table");
    const head = table.createTHead().insertRow();
    for (const name of COLUMNS) {
      const cell = make("th", "", name);
      cell.scope = "col";
      head.append(cell);
    }
    const body = table.createTBody();
    this.rows = {};
    for (const placement of placements) {
      const row = body.insertRow();
      const name = make("th", "", plain(placement));
      name.scope = "row";
      row.append(name, ...COLUMNS.slice(1).map(() => make("td")));
      this.rows[placement] = row;
    }
    get("sensors").replaceChildren(table);
  }
}

function heardWord(ago) {
  if (ago === null) return "× never";
  return ago > 1 ? `× ${Math.round(ago)} s ago` : "✓ now";
}
