// One arm while a set runs: the gauge with the body beside it, rep, phase, hold, steadiness. It draws the last frame.
import { clock, make, show, Squeezed, svg, write } from "./parts.js";

const PHASES = {
  lift: ["▲", "Lift"],
  hold: ["■", "Hold"],
  lower: ["▼", "Lower"],
  rest: ["●", "Next rep"],
  unseen: ["?", "Unseen"],
};
const WORDS = { front: ["higher", "too high"], above: ["further", "too far"] };
// In a drill of several stations the word is the station that is held, or the one to go to.
// all: every arm has done its reps, not this one alone.
function phaseWord(arm, all) {
  const capital = (name) => name.charAt(0).toUpperCase() + name.slice(1).replaceAll("_", " ");
  if (arm.sinks) return ["▼", "Lower"];
  if (arm.hold_done) return arm.next_station ? ["▶", capital(arm.next_station)] : ["▼", "Lower"];
  if (finished(arm, all)) return ["✓", all ? "Set done" : "Done"];
  const [glyph, word] = PHASES[arm.phase];
  if (arm.phase === "hold" && arm.station) return [glyph, capital(arm.station)];
  if (arm.phase === "lift" && arm.next_station) return [glyph, capital(arm.next_station)];
  return [glyph, word];
}

// How: under the word, where that alone says too little.
function howWord(arm) {
  if (arm.sinks) return "both arms";
  if (arm.hold_done && !arm.next_station) return "slowly";
  return { quiet: "═ quiet", shaky: "≈ shaky" }[arm.steady] ?? "";
}
// The reps asked are done; one more that is on its way is shown as any other. An arm that holds is done with the set.
const finished = (arm, all) => (arm.role === "hold" ? all : arm.done && ["lower", "rest"].includes(arm.phase));

const R = 100;
const TRACE_S = 8;
const TRACE_FULL_DEG = 2;
const calm = matchMedia("(prefers-reduced-motion: reduce)");

const at = (r, deg) => {
  const a = (deg * Math.PI) / 180;
  return [r * Math.cos(a), -r * Math.sin(a)];
};
const point = (r, deg) => at(r, deg).map((v) => v.toFixed(1)).join(" ");

export class Arm {
  constructor(side, alone) {
    this.side = side;
    this.mirror = side === "left" ? -1 : 1;
    this.alone = alone;
    this.trace = [];
    this.dialKey = "";
    this.root = make("article", "arm");
    this.root.setAttribute("aria-label", `${side} arm`);
    this.gauge = svg("svg", { class: "gauge", role: "img", "aria-label": `${side} arm, gauge` });
    this.name = make("h2", "arm-name", `${side} arm`);
    this.phase = make("p", "phase");
    this.glyph = this.phase.appendChild(make("span", "glyph"));
    this.glyph.setAttribute("aria-hidden", "true");
    this.word = new Squeezed(this.phase.appendChild(make("span", "word")));
    this.reps = make("p", "number rep");
    const of = make("span", "unit");
    this.reps.append((this.repLabel = make("span", "label")), (this.rep = make("b")), of);
    this.of = new Squeezed(of);
    this.holding = make("p", "number holding");
    const target = make("span", "unit");
    this.holding.append(make("span", "label", "held"), (this.hold = make("b")), target);
    this.target = new Squeezed(target);
    const numbers = make("div", "numbers");
    numbers.append(this.reps, this.holding);
    this.bar = make("div", "bar hold-bar");
    this.fill = this.bar.appendChild(make("div"));
    const steady = make("div", "steady");
    this.canvas = steady.appendChild(make("canvas"));
    this.canvas.setAttribute("aria-hidden", "true");
    this.how = new Squeezed(steady.appendChild(make("p", "how")));
    this.unseen = make("p", "unseen");
    const facts = make("div", "facts");
    facts.append(this.phase, numbers, this.bar, steady);
    this.root.append(this.name, this.gauge, facts, this.unseen);
  }

  // The value of one frame, for the trace.
  note(arm, t) {
    if (arm.phase === "hold" && arm.steadiness_deg !== null) this.trace.push([t, arm.steadiness_deg]);
    else if (arm.phase !== "hold") this.trace.length = 0;
  }

  draw(arm, t, all) {
    const [glyph, word] = phaseWord(arm, all);
    write(this.glyph, glyph);
    this.word.write(word);
    this.root.dataset.phase = arm.hold_done ? "held" : arm.sinks ? "sinks" : finished(arm, all) ? "done" : arm.phase;
    // An arm that holds while the other one lifts has no reps: its clock is what counts.
    show(this.reps, arm.role !== "hold");
    this.root.toggleAttribute("data-extra", arm.extra > 0);
    write(this.repLabel, arm.by_hand === null ? ((arm.of ?? arm.count) === 1 ? "rep" : "reps") : `by hand (${arm.counted})`);
    write(this.rep, arm.extra ? `+${arm.extra}` : String(arm.count));
    this.of.write(arm.of === null ? "" : arm.extra ? `over ${arm.of}` : `of ${arm.of}`);
    write(this.unseen, arm.unseen.length ? `? unseen: ${arm.unseen.join(", ")}` : "");
    this.drawHold(arm);
    this.drawGauge(arm);
    this.drawSteadiness(arm, t);
  }

  drawHold(arm) {
    const asked = arm.hold_target_s;
    // The hold that goes on; once it is over, what it was.
    const held = arm.hold_s ?? arm.held_s;
    show(this.holding, asked !== null || held !== null || arm.role === "hold");
    show(this.bar, asked !== null && asked > 0);
    const last = arm.last_holds_s.at(-1);
    const whole_s = Math.floor(held ?? 0);
    write(this.hold, held === null ? "–" : whole_s < 100 ? String(whole_s) : clock(whole_s));
    this.target.write(asked ? `of ${asked} s` : "s");
    const share = held !== null && asked ? Math.min(1, held / asked) : 0;
    this.fill.style.transform = `scaleX(${share.toFixed(3)})`;
    this.holding.title = last === undefined ? "" : `the hold before: ${last.toFixed(1)} s`;
  }

  drawGauge(arm) {
    const dial = arm.dial;
    const key = JSON.stringify([arm.angle_name, arm.range_deg, arm.band_deg]);
    if (key !== this.dialKey) {
      this.dialKey = key;
      this.buildGauge(dial, arm);
    }
    const seen = arm.angle_deg !== null && arm.phase !== "unseen";
    const [low, high] = arm.band_deg ?? [null, null];
    const inBand = seen && arm.band_deg !== null && (low === null || arm.angle_deg >= low) && (high === null || arm.angle_deg <= high);
    this.limb.setAttribute("transform", `rotate(${(-this.screen(dial, arm, arm.angle_deg ?? arm.range_deg[0])).toFixed(2)})`);
    this.limb.classList.toggle("away", !seen);
    this.gauge.classList.toggle("in", inBand);
    const top = arm.peak_deg;
    show(this.peak, seen && top !== null && top > arm.range_deg[0] + 2);
    if (top !== null) this.peak.setAttribute("transform", `rotate(${(-this.screen(dial, arm, top)).toFixed(2)})`);
    write(this.degrees, seen ? `${Math.round(arm.angle_deg)}°` : "not seen");
    write(this.reach, this.reachWord(arm, dial, seen, inBand));
  }

  reachWord(arm, dial, seen, inBand) {
    const way = ["lift", "hold"].includes(arm.phase) && arm.band_deg !== null && seen;
    if (inBand && way) return "✓ in band";
    // An arm that holds while the other one lifts is not sent up again once it sinks.
    if (!way || (arm.role === "hold" && arm.phase === "hold")) return "";
    const [low] = arm.band_deg;
    return low !== null && arm.angle_deg < low ? `↑ ${WORDS[dial.body][0]}` : `↓ ${WORDS[dial.body][1]}`;
  }

  // Direction on the screen of an angle, kept within the dial.
  screen(dial, arm, deg) {
    const [lo, hi] = arm.range_deg;
    const kept = Math.max(lo, Math.min(hi, deg));
    const right = dial.zero_deg + dial.grows * kept;
    return this.mirror === 1 ? right : 180 - right;
  }

  arc(dial, arm, from, to, r) {
    const [a, b] = [this.screen(dial, arm, from), this.screen(dial, arm, to)];
    const large = Math.abs(b - a) > 180 ? 1 : 0;
    return `M ${point(r, a)} A ${r} ${r} 0 ${large} ${b > a ? 0 : 1} ${point(r, b)}`;
  }

  ring(dial, arm, from, to, inner, outer) {
    const [a, b] = [this.screen(dial, arm, from), this.screen(dial, arm, to)];
    const large = Math.abs(b - a) > 180 ? 1 : 0;
    const sweep = b > a ? 0 : 1;
    return (
      `M ${point(outer, a)} A ${outer} ${outer} 0 ${large} ${sweep} ${point(outer, b)} L ${point(inner, b)} ` +
      `A ${inner} ${inner} 0 ${large} ${1 - sweep} ${point(inner, a)} Z`
    );
  }

  buildGauge(dial, arm) {
    const [lo, hi] = arm.range_deg;
    const m = this.mirror;
    const front = dial.body === "front";
    const id = `hatch-${this.side}`;
    // Two arms meet at the body in the middle; one alone shows all of it.
    const inner = front ? (this.alone ? -78 : -34) : -116;
    const left = m === 1 ? inner : -118;
    const right = m === 1 ? 118 : -inner;
    const [top, bottom] = front ? [-118, 118] : [-118, 62];
    this.gauge.setAttribute("viewBox", `${left} ${top} ${right - left} ${bottom - top}`);
    const align = this.alone || !front ? "xMidYMid" : m === 1 ? "xMinYMid" : "xMaxYMid";
    this.gauge.setAttribute("preserveAspectRatio", align);
    const hatch = svg("pattern", { id, width: 7, height: 7, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" });
    hatch.append(svg("rect", { width: 7, height: 7, class: "hatch-ground" }), svg("path", { d: "M 0 0 V 7", class: "hatch" }));
    const defs = svg("defs");
    defs.append(hatch);
    const parts = [defs, ...(front ? this.bodyFront(m) : this.bodyAbove(m))];
    parts.push(svg("path", { class: "track", d: this.arc(dial, arm, lo, hi, R) }));
    if (arm.band_deg !== null) {
      const [from, to] = [arm.band_deg[0] ?? lo, arm.band_deg[1] ?? hi].map((d) => Math.max(lo, Math.min(hi, d)));
      parts.push(svg("path", { class: "band", d: this.ring(dial, arm, from, to, 66, R), fill: `url(#${id})` }));
      for (const end of [arm.band_deg[0], arm.band_deg[1]]) {
        if (end === null || end <= lo || end >= hi) continue;
        const s = this.screen(dial, arm, end);
        parts.push(svg("path", { class: "band-end", d: `M ${point(60, s)} L ${point(R + 6, s)}` }));
      }
    }
    this.peak = svg("g", { class: "peak" });
    this.peak.append(svg("path", { d: `M ${R + 2} 0 l 13 -8 v 16 z` }));
    this.limb = svg("g", { class: "limb" });
    this.limb.append(
      svg("path", { class: "bone", d: `M 0 0 H 82` }),
      svg("circle", { class: "hand", cx: 88, cy: 0, r: 11 }),
      svg("circle", { class: "joint", cx: 0, cy: 0, r: 7 }),
    );
    // In the corners that the dial leaves free.
    const outer = m === 1 ? "end" : "start";
    this.degrees = svg("text", { class: "degrees", x: front ? m * 118 : 0, y: front ? 114 : 60, "text-anchor": front ? outer : "middle" });
    this.reach = svg("text", { class: "reach", x: m * 118, y: -101, "text-anchor": outer });
    parts.push(this.peak, this.limb, this.degrees, this.reach);
    this.gauge.replaceChildren(...parts);
  }

  bodyFront(m) {
    const c = -m * 34;
    const far = this.alone ? c - m * 34 : c;
    const body = [
      svg("path", { class: "body", d: `M 0 0 H ${far} M ${c} 0 V 82 M ${c - (this.alone ? 22 : 0)} 82 H ${c + (this.alone ? 22 : m * 22)}` }),
      svg("circle", { class: "body head", cx: c, cy: -38, r: 21 }),
    ];
    if (this.alone) body.push(svg("path", { class: "body", d: `M ${far} 0 V 74` }));
    return body;
  }

  bodyAbove(m) {
    return [
      svg("path", { class: "body", d: `M ${m * 8} 14 H ${-m * 84}` }),
      svg("circle", { class: "body head", cx: -m * 38, cy: 14, r: 15 }),
    ];
  }

  drawSteadiness(arm, t) {
    while (this.trace.length && this.trace[0][0] < t - TRACE_S) this.trace.shift();
    this.root.classList.toggle("shaky", arm.steady === "shaky");
    this.how.write(howWord(arm));
    const canvas = this.canvas;
    const ratio = devicePixelRatio || 1;
    const [w, h] = [canvas.clientWidth * ratio, canvas.clientHeight * ratio].map(Math.round);
    if (canvas.width !== w || canvas.height !== h) Object.assign(canvas, { width: w, height: h });
    const pen = canvas.getContext("2d");
    pen.clearRect(0, 0, w, h);
    if (!this.trace.length || w === 0) return;
    pen.fillStyle = getComputedStyle(canvas).color;
    const half = (deg) => Math.max(1.5 * ratio, (Math.min(deg, TRACE_FULL_DEG) / TRACE_FULL_DEG) * (h / 2));
    if (calm.matches) {
      const now = half(this.trace.at(-1)[1]);
      pen.fillRect(0, h / 2 - now, w, 2 * now);
      return;
    }
    const across = ([s]) => w - ((t - s) / TRACE_S) * w;
    pen.beginPath();
    for (const item of this.trace) pen.lineTo(across(item), h / 2 - half(item[1]));
    for (const item of [...this.trace].reverse()) pen.lineTo(across(item), h / 2 + half(item[1]));
    pen.fill();
  }
}
