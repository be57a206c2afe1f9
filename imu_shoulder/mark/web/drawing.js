// What is drawn around the marks: lanes with curves, the times, the strip with the whole, and the list.
import { fitted } from "./curves.js";
import { get, make, write } from "./parts.js";
import { ticks } from "./view.js";
import { clock } from "./words.js";

function lanesOf(sides) {
  const box = get("lanes");
  if (box.dataset.sides !== sides.join()) {
    box.dataset.sides = sides.join();
    box.replaceChildren(
      ...sides.map((side) => {
        const lane = make("div", "lane");
        lane.dataset.side = side;
        const canvases = [make("canvas", "fast"), make("canvas")];
        for (const canvas of canvases) canvas.setAttribute("aria-hidden", "true");
        lane.append(...canvases, make("p", "lane-name"), make("p", "lane-ends"));
        return lane;
      }),
    );
  }
  return [...box.children];
}

// The lanes with the curve that was asked for and, behind it, how fast the arm turns. Returns where each lane lies.
export function drawLanes({ main, speed, view, arms }, style) {
  const behind = speed.kind?.name !== main.kind?.name;
  const drawn = lanesOf(main.sides.length ? main.sides : arms);
  const width = get("stage").clientWidth;
  const [from, to] = view.bounds;
  main.need([view, width]);
  // The strip with the whole is of the speed, too.
  speed.need([{ from, to }, width], ...(behind ? [[view, width]] : []));
  for (const lane of drawn) {
    const { side } = lane.dataset;
    const [fast, canvas, name, ends] = lane.children;
    main.draw(canvas, side, view, style.getPropertyValue("--ink"), 4 * devicePixelRatio);
    if (behind) speed.draw(fast, side, view, style.getPropertyValue("--rule"), 4 * devicePixelRatio);
    else fitted(fast).clearRect(0, 0, fast.width, fast.height);
    const about = main.kind?.curves.find((curve) => curve.side === side);
    const [low, high] = main.range;
    const sensor = about?.sensor ? `, ${about.sensor.replace(`${side} `, "")} sensor` : "";
    write(name, `${side === "right" ? "Right" : "Left"} arm${sensor}`);
    write(ends, about ? `${Math.round(low)} to ${Math.round(high)}${main.kind.unit}` : "");
  }
  const top = get("lanes").offsetTop;
  return drawn.map((lane) => ({ side: lane.dataset.side, top: lane.offsetTop - top, height: lane.offsetHeight }));
}

export function drawAxis(view, style) {
  const canvas = get("axis");
  const paper = fitted(canvas);
  const { clientWidth: width, clientHeight: height } = canvas;
  paper.setTransform(devicePixelRatio, 0, 0, devicePixelRatio, 0, 0);
  paper.clearRect(0, 0, width, height);
  paper.fillStyle = style.getPropertyValue("--soft");
  paper.font = `14px ${style.fontFamily}`;
  const { step, at } = ticks(view, width);
  for (const t of at) {
    const x = ((t - view.from) / view.span) * width;
    paper.fillRect(x, height - 6, 1, 6);
    if (x < width - 44) paper.fillText(clock(t, step >= 1), x + 3, height - 6);
  }
}

export function drawOverview(speed, view, spans, style) {
  const canvas = get("overview");
  const [from, to] = view.bounds;
  speed.draw(canvas, speed.sides[0], { from, to }, style.getPropertyValue("--body"), 2);
  const paper = canvas.getContext("2d");
  const px_s = canvas.width / (to - from);
  for (const span of spans) {
    paper.globalAlpha = span.offered ? 0.35 : 0.75;
    paper.fillStyle = style.getPropertyValue(span.cells.trial_type === "set" ? "--arm" : "--hatch");
    paper.fillRect((span.start - from) * px_s, canvas.height * 0.72, Math.max(2, (span.end - span.start) * px_s), canvas.height * 0.28);
  }
  paper.globalAlpha = 1;
  paper.strokeStyle = style.getPropertyValue("--ink");
  paper.lineWidth = 2 * devicePixelRatio;
  paper.strokeRect((view.from - from) * px_s + 1, 1, Math.max(4, view.span * px_s - 2), canvas.height - 2);
}

export function drawList(marks, names) {
  const lines = marks.spans.map((span) => {
    const arm = names.arm(span);
    const pain = span.cells.pain ? `pain ${span.cells.pain}` : "";
    return [span.key, `${clock(span.start, true)} to ${clock(span.end, true)}`, names.of(span), [span.cells.trial_type === "set" && !span.cells.drill ? "no drill named" : "", arm, pain, span.offered ? "proposed" : ""].filter(Boolean).join(", "), span.key === marks.chosen];
  });
  const box = get("list");
  const text = JSON.stringify(lines);
  if (box.dataset.text === text) return;
  box.dataset.text = text;
  const focused = document.activeElement?.closest("#list button")?.dataset.key;
  box.replaceChildren(
    ...lines.map(([key, when, what, more, chosen]) => {
      const button = make("button");
      button.type = "button";
      button.dataset.key = key;
      if (chosen) button.setAttribute("aria-current", "true");
      button.append(make("span", "when", when), make("span", "what", what), make("span", "more", more));
      const line = make("li");
      line.append(button);
      return line;
    }),
  );
  box.querySelector(`[data-key="${focused}"]`)?.focus();
}
