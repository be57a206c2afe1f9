"use strict";
(() => {
  const root = document.documentElement;
  const colour = (name) => getComputedStyle(root).getPropertyValue(name).trim();
  const FONT = 'system-ui, "Segoe UI", "Noto Sans", sans-serif';
  const PRINT_WIDTH = 690; // CSS pixels: A4 and Letter upright, 12 mm margins
  const HEIGHT = 270, PRINT_HEIGHT = 210;
  const charts = [];

  // Alternating steps of time (0.01 s) and angle (0.1 deg); null in place of an angle is a gap.
  function decode(steps) {
    const time = [], angle = [];
    let tick = 0, level = 0;
    for (let i = 0; i < steps.length; i += 2) {
      tick += steps[i];
      if (steps[i + 1] !== null) level += steps[i + 1];
      time.push(tick / 100);
      angle.push(steps[i + 1] === null ? null : level / 10);
    }
    return [time, angle];
  }

  function clock(seconds, digits) {
    const rounded = Number(seconds.toFixed(digits)); // first, so that 59.96 becomes 1:00.0
    const minutes = Math.floor(rounded / 60);
    return minutes + ":" + (rounded - 60 * minutes).toFixed(digits).padStart(digits ? digits + 3 : 2, "0");
  }

  function range(curve, angle) {
    const ends = angle.concat(curve.band || []).filter((value) => value !== null);
    const low = Math.min(...ends), high = Math.max(...ends), room = Math.max(high - low, 10);
    const named = curve.reps.some((rep) => rep.status === "excluded"); // its reason stands above its number
    return [low - 0.12 * room, high + (named ? 0.34 : 0.24) * room];
  }

  function shade(u, from, to, low, high, fill) {
    const left = Math.max(u.valToPos(from, "x", true), u.bbox.left);
    const right = Math.min(u.valToPos(to, "x", true), u.bbox.left + u.bbox.width);
    const top = u.valToPos(high, "y", true);
    if (right <= left) return;
    u.ctx.fillStyle = fill;
    u.ctx.fillRect(left, top, right - left, u.valToPos(low, "y", true) - top);
  }

  function drawBehind(u, curve) {
    const x = u.scales.x, y = u.scales.y, px = devicePixelRatio;
    u.ctx.save();
    if (curve.band) {
      const [low, high] = curve.band;
      shade(u, x.min, x.max, low ?? y.min, high ?? y.max, colour("--band"));
      u.ctx.strokeStyle = colour("--soft");
      u.ctx.setLineDash([5 * px, 4 * px]);
      for (const edge of [low, high]) {
        if (edge === null) continue;
        const at = u.valToPos(edge, "y", true);
        u.ctx.beginPath();
        u.ctx.moveTo(u.bbox.left, at);
        u.ctx.lineTo(u.bbox.left + u.bbox.width, at);
        u.ctx.stroke();
      }
    }
    u.ctx.font = 11 * px + "px " + FONT;
    u.ctx.textAlign = "center";
    for (const [from, to] of curve.gaps) {
      shade(u, from, to, y.min, y.max, colour("--panel"));
      const middle = u.valToPos((from + to) / 2, "x", true);
      if (middle < u.bbox.left || middle > u.bbox.left + u.bbox.width) continue;
      u.ctx.fillStyle = colour("--soft");
      u.ctx.fillText("no data", middle, u.bbox.top + u.bbox.height - 6 * px);
    }
    u.ctx.restore();
  }

  function inside(u) {
    u.ctx.beginPath();
    u.ctx.rect(u.bbox.left, u.bbox.top, u.bbox.width, u.bbox.height);
    u.ctx.clip();
  }

  // The angle at a time between two drawn points, so that a hold's line starts and ends where the hold does.
  function at(u, time) {
    const [xs, ys] = u.data;
    let right = xs.findIndex((value) => value >= time);
    if (right < 1) right = 1;
    const a = ys[right - 1], b = ys[right];
    if (a == null || b == null) return b ?? a;
    return a + ((b - a) * (time - xs[right - 1])) / (xs[right] - xs[right - 1] || 1);
  }

  function drawHold(u, rep) {
    const [xs, ys] = u.data;
    const points = [[rep.top_start, at(u, rep.top_start)]];
    xs.forEach((x, i) => { if (x > rep.top_start && x < rep.top_end) points.push([x, ys[i]]); });
    points.push([rep.top_end, at(u, rep.top_end)]);
    let pen = false;
    u.ctx.beginPath();
    for (const [x, y] of points) {
      if (y == null) { pen = false; continue; }
      u.ctx[pen ? "lineTo" : "moveTo"](u.valToPos(x, "x", true), u.valToPos(y, "y", true));
      pen = true;
    }
    u.ctx.stroke();
  }

  function drawMark(u, rep) {
    const ctx = u.ctx, px = devicePixelRatio, size = 10 * px;
    const middle = rep.held ? (rep.top_start + rep.top_end) / 2 : rep.top_start ?? (rep.start + rep.end) / 2;
    const x = u.valToPos(middle, "x", true);
    const y = u.valToPos(rep.top, "y", true) - 17 * px;
    const ink = { clean: "--curve", fault: "--fault", excluded: "--soft" }[rep.status];
    ctx.lineWidth = 1.5 * px;
    ctx.strokeStyle = ctx.fillStyle = colour(ink);
    ctx.setLineDash(rep.status === "excluded" ? [3 * px, 2 * px] : []);
    ctx.beginPath();
    if (rep.status === "fault") ctx.rect(x - size * 0.9, y - size * 0.9, size * 1.8, size * 1.8);
    else ctx.arc(x, y, size, 0, 2 * Math.PI);
    if (rep.status !== "excluded") ctx.fill();
    ctx.stroke();
    ctx.setLineDash([]);
    ctx.textAlign = "center";
    ctx.textBaseline = "middle";
    ctx.font = "600 " + 11 * px + "px " + FONT;
    ctx.fillStyle = colour({ clean: "--on-curve", fault: "--on-fault", excluded: "--soft" }[rep.status]);
    ctx.fillText(rep.rep, x, y + px);
    if (rep.status !== "excluded") return;
    ctx.font = 11 * px + "px " + FONT;
    ctx.fillText(rep.why, x, y - 18 * px);
  }

  function drawFront(u, curve) {
    u.ctx.save();
    inside(u);
    u.ctx.strokeStyle = colour("--curve");
    u.ctx.lineWidth = 4 * devicePixelRatio;
    for (const rep of curve.reps) if (rep.held && rep.top_start !== null && rep.top_end !== null) drawHold(u, rep);
    for (const rep of curve.reps) if (rep.top !== null) drawMark(u, rep);
    u.ctx.restore();
  }

  function say(u, curve, readout) {
    const i = u.cursor.idx;
    if (i == null || u.cursor.left < 0) return;
    const time = u.data[0][i], angle = u.data[1][i];
    const rep = curve.reps.find((one) => time >= one.start && time <= one.end);
    let phase = "between reps";
    if (rep) {
      phase = "rep " + rep.rep;
      if (rep.top_start !== null && rep.top_end !== null) {
        if (time < rep.top_start) phase += ", lifting";
        else if (time > rep.top_end) phase += ", lowering";
        else phase += rep.held ? ", holding" : ", at the top";
      }
      if (rep.why) phase += " (" + rep.why + ")";
    }
    const value = angle === null ? "no data" : curve.angle.toLowerCase() + " " + angle.toFixed(1) + "°";
    readout.textContent = clock(time, 1) + " · " + value + " · " + phase;
  }

  function build(curve) {
    const section = document.getElementById(curve.id);
    const host = section.querySelector(".chart");
    const readout = section.querySelector(".readout");
    const data = decode(curve.steps);
    const [first, last] = [data[0][0], data[0][data[0].length - 1]];
    const axis = {
      stroke: () => colour("--soft"),
      font: "12px " + FONT,
      grid: { stroke: () => colour("--rule"), width: 1 },
      ticks: { stroke: () => colour("--rule"), width: 1 },
    };
    const u = new uPlot({
      width: host.clientWidth,
      height: HEIGHT,
      legend: { show: false },
      cursor: { y: false, drag: { x: true, y: false }, points: { size: 9, fill: () => colour("--curve") } },
      scales: { x: { time: false }, y: { range: range(curve, data[1]) } },
      axes: [
        { ...axis, size: 34, values: (_, at, __, ___, step) => at.map((s) => clock(s, step < 1 ? 1 : 0)) },
        { ...axis, size: 48, values: (_, at) => at.map((angle) => angle + "°") },
      ],
      series: [{}, { stroke: () => colour("--curve"), width: 1.5, pxAlign: 0, points: { show: false } }],
      hooks: {
        drawClear: [(plot) => drawBehind(plot, curve)],
        draw: [(plot) => drawFront(plot, curve)],
        setCursor: [(plot) => say(plot, curve, readout)],
      },
    }, data, host);
    charts.push({ u, host });

    const zoom = (min, max) => u.setScale("x", { min, max });
    section.querySelector(".reset").addEventListener("click", () => zoom(first, last));
    section.querySelectorAll(".reps button").forEach((button, i) => {
      button.addEventListener("click", () => {
        const rep = curve.reps[i];
        zoom(Math.max(first, rep.start - 1), Math.min(last, rep.end + 1));
        host.scrollIntoView({ block: "nearest" });
      });
    });
    host.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
      if (!step) return;
      event.preventDefault();
      const i = Math.min(Math.max((u.cursor.idx ?? 0) + step, 0), data[0].length - 1);
      u.setCursor({ left: u.valToPos(data[0][i], "x"), top: 0 });
    });
    new ResizeObserver(() => {
      if (!root.classList.contains("printing")) u.setSize({ width: host.clientWidth, height: HEIGHT });
    }).observe(host);
  }

  function resize(printing) {
    root.classList.toggle("printing", printing);
    for (const { u, host } of charts) {
      u.setSize(printing ? { width: PRINT_WIDTH, height: PRINT_HEIGHT } : { width: host.clientWidth, height: HEIGHT });
    }
  }

  function named([rep, start, top_start, top_end, end, top, held, status, why]) {
    return { rep, start, top_start, top_end, end, top, held, status, why };
  }

  JSON.parse(document.getElementById("curves").textContent).forEach((curve) => {
    build({ ...curve, reps: curve.reps.map(named) });
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => charts.forEach(({ u }) => u.redraw()));
  addEventListener("beforeprint", () => resize(true));
  addEventListener("afterprint", () => resize(false));
})();
