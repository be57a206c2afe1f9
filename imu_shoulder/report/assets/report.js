"use strict";
(() => {
  const root = document.documentElement;
  const colour = (name) => getComputedStyle(root).getPropertyValue(name).trim();
  const FONT = 'system-ui, "Segoe UI", "Noto Sans", sans-serif';
  const PRINT_WIDTH = 690; // CSS pixels: A4 and Letter upright, 12 mm margins
  const PRINT_POSTURE = 206; // of them, the arm's picture and the gap before it
  const HEIGHT = 270, PRINT_HEIGHT = 210, SMALL_HEIGHT = 120, SMALL_PRINT_HEIGHT = 90;
  const charts = [];
  const degrees = (value, digits) => value.toFixed(digits).replace("-", "−") + "°";
  const calm = matchMedia("(prefers-reduced-motion: reduce)");
  const CALM_STEP_S = 1; // stills in place of motion
  const DIGITS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_";
  const ANGLES = ["elevation", "plane", "rotation", "elbow", "forearm"];
  const { body, curves } = JSON.parse(document.getElementById("curves").textContent);

  // Per point the step of time in 0.01 s (63 and another digit follows), then two digits of 0.1 deg, or a dot for a gap.
  function decode(points, from) {
    const time = [], angle = [];
    let tick = Math.round(100 * from);
    for (let i = 0; i < points.length; i++) {
      const step = DIGITS.indexOf(points[i]);
      tick += step;
      if (step === 63) continue;
      time.push(tick / 100);
      if (points[++i] === ".") angle.push(null);
      else angle.push((64 * DIGITS.indexOf(points[i]) + DIGITS.indexOf(points[++i]) - 2048) / 10);
    }
    return [time, angle];
  }

  // Key frames of six characters: how long the one before lasted, then each angle's change in 2 deg; a dot is unknown.
  function postures(keys) {
    const frames = [], level = ANGLES.map(() => 0);
    let now = null;
    for (let i = 0; i < keys.length; i += 6) {
      for (let k = DIGITS.indexOf(keys[i]); k > 0; k--) frames.push(now);
      if (i + 1 === keys.length) break;
      now = ANGLES.map((_, k) => {
        const digit = keys[i + 1 + k];
        if (digit === ".") return null;
        level[k] += DIGITS.indexOf(digit) - 31;
        return 2 * level[k];
      });
    }
    return frames;
  }

  // The posture at a time, turned evenly between two frames, the short way round.
  function postureAt(pose, time) {
    const place = (time - pose.from) / pose.step, i = Math.floor(place);
    if (i < 0 || place > pose.frames.length) return null;
    const a = pose.frames[Math.min(i, pose.frames.length - 1)], b = pose.frames[Math.min(i + 1, pose.frames.length - 1)];
    return a.map((from, k) => {
      if (from === null || b[k] === null) return from;
      const turn = ((((b[k] - from + 180) % 360) + 360) % 360) - 180;
      return from + turn * (place - i);
    });
  }

  function turned([x, y, z], [ax, ay, az], degrees) {
    const c = Math.cos((degrees * Math.PI) / 180), s = Math.sin((degrees * Math.PI) / 180);
    const along = (ax * x + ay * y + az * z) * (1 - c);
    return [
      x * c + (ay * z - az * y) * s + ax * along,
      y * c + (az * x - ax * z) * s + ay * along,
      z * c + (ax * y - ay * x) * s + az * along,
    ];
  }

  const plus = (a, b, times) => a.map((value, k) => value + times * b[k]);

  // The same body points as the drawings of the handout: X forward, Y up, Z right, the left arm mirrored.
  function limbs([elevation, plane, rotation, elbow, forearm], side) {
    const out = {}, mirror = side === "left" ? -1 : 1;
    const radians = (plane * Math.PI) / 180;
    const lift = (v) => turned(v, [-Math.cos(radians), 0, Math.sin(radians)], elevation);
    if (elevation === null) return out;
    const shoulder = [0, 0, body.shoulder];
    const elbowAt = plus(shoulder, lift([0, 1, 0]), -body.upperArm);
    out["upper-arm"] = [shoulder, elbowAt];
    if (rotation !== null && elbow !== null) {
      const hang = (v) => lift(turned(turned(v, [0, 0, 1], elbow), [0, 1, 0], -rotation));
      const along = hang([0, 1, 0]);
      const wrist = plus(elbowAt, along, -body.forearm);
      out.forearm = [elbowAt, wrist];
      out.hand = [wrist, plus(wrist, along, -body.hand)];
      if (forearm !== null) {
        const root = plus(wrist, along, -body.thumbFrom * body.hand);
        out.thumb = [root, plus(root, hang(turned([1, 0, 0], [0, 1, 0], forearm)), body.thumb)];
      }
    }
    const seen = ([x, y, z]) => [x, y, mirror * z];
    return Object.fromEntries(Object.entries(out).map(([name, points]) => [name, points.map(seen)]));
  }

  // Of each view as much as one arm can reach.
  function addPosture(figure, side) {
    const { width, height } = body, shown = 0.7 * width;
    const from = [side === "left" ? width - shown : 0, 0.22 * width];
    figure.append(document.getElementById("posture").content.cloneNode(true));
    figure.querySelectorAll(".posture svg").forEach((view, which) => {
      view.setAttribute("viewBox", [from[which], 0, shown, height].join(" "));
    });
  }

  function drawPosture(section, curve, time) {
    const views = section.querySelectorAll(".posture svg");
    if (!views.length) return;
    const pose = curve.pose, posture = postureAt(pose, time);
    const found = posture ? limbs(posture, pose.side) : {};
    views.forEach((view, which) => {
      for (const name of ["upper-arm", "forearm", "hand", "thumb"]) {
        const dots = (found[name] || []).map(([x, y, z]) =>
          (body.middle + body.scale * (which ? x : -z)).toFixed(2) + "," + (body.shouldersAt - body.scale * y).toFixed(2));
        view.querySelector("." + name).setAttribute("points", dots.join(" "));
      }
    });
    const said = ANGLES.map((name, k) => posture && posture[k] !== null && name + " " + degrees(posture[k], 0));
    section.querySelector(".angles").textContent = clock(time, 1) + " · " + (said.filter(Boolean).join(", ") || "arm not seen");
  }

  function clock(seconds, digits) {
    const rounded = Number(seconds.toFixed(digits)); // first, so that 59.96 becomes 1:00.0
    const minutes = Math.floor(rounded / 60);
    return minutes + ":" + (rounded - 60 * minutes).toFixed(digits).padStart(digits ? digits + 3 : 2, "0");
  }

  function range(curve, angle) {
    const asked = curve.boxes.flatMap(([, , low, high]) => [low, high]);
    const ends = angle.concat(curve.band || [], asked).filter((value) => value !== null);
    const low = Math.min(...ends), high = Math.max(...ends), room = Math.max(high - low, 10);
    const named = (curve.reps || []).some((rep) => rep.status === "excluded"); // its reason stands above its number
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

  // What was asked where: the ends of a range over the stay in which it was held against the arm.
  function drawBoxes(u, boxes) {
    const y = u.scales.y;
    for (const [from, to, low, high] of boxes) {
      shade(u, from, to, low ?? y.min, Math.min(high ?? y.max, y.max), colour("--band"));
      u.ctx.strokeStyle = colour("--soft");
      u.ctx.lineWidth = devicePixelRatio;
      for (const edge of [low, high]) {
        if (edge === null || edge < y.min || edge > y.max) continue;
        u.ctx.beginPath();
        u.ctx.moveTo(u.valToPos(from, "x", true), u.valToPos(edge, "y", true));
        u.ctx.lineTo(u.valToPos(to, "x", true), u.valToPos(edge, "y", true));
        u.ctx.stroke();
      }
    }
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
    drawBoxes(u, curve.boxes);
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
    const ink = { clean: "--curve", close: "--curve", fault: "--fault", excluded: "--soft" }[rep.status];
    ctx.lineWidth = 1.5 * px;
    ctx.strokeStyle = ctx.fillStyle = colour(ink);
    ctx.setLineDash(rep.status === "excluded" ? [3 * px, 2 * px] : []);
    ctx.beginPath();
    if (rep.status === "fault") ctx.rect(x - size * 0.9, y - size * 0.9, size * 1.8, size * 1.8);
    else ctx.arc(x, y, size, 0, 2 * Math.PI);
    if (rep.status === "clean" || rep.status === "fault") ctx.fill();
    ctx.stroke();
    ctx.setLineDash([]);
    ctx.textAlign = "center";
    ctx.textBaseline = "middle";
    ctx.font = "600 " + 11 * px + "px " + FONT;
    ctx.fillStyle = colour({ clean: "--on-curve", close: "--curve", fault: "--on-fault", excluded: "--soft" }[rep.status]);
    ctx.fillText(rep.rep, x, y + px);
    if (rep.status !== "excluded") return;
    ctx.font = 11 * px + "px " + FONT;
    ctx.strokeStyle = colour("--paper"); // a curve that passes behind the words leaves them readable
    ctx.lineWidth = 4 * px;
    ctx.lineJoin = "round";
    ctx.strokeText(rep.why, x, y - 18 * px);
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
    const value = angle === null ? "no data" : curve.angle.toLowerCase() + " " + degrees(angle, 1);
    readout.textContent = clock(time, 1) + " · " + value + " · " + phase;
  }

  const player = { frame: 0, time: null, button: null };

  function stop() {
    cancelAnimationFrame(player.frame);
    if (player.button) {
      player.button.textContent = "▶";
      player.button.setAttribute("aria-label", player.button.dataset.name);
    }
    player.button = player.time = null;
  }

  // One rep in its own time; where motion is not wanted, a still every second.
  function play(button, from, to, move) {
    const again = player.button === button;
    stop();
    if (again) return;
    player.button = button;
    button.dataset.name = button.getAttribute("aria-label");
    button.textContent = "■";
    button.setAttribute("aria-label", "Stop");
    const began = performance.now();
    let shown = null;
    const step = (now) => {
      const passed = Math.max(0, now - began) / 1000;
      const at = Math.min(to, from + (calm.matches ? Math.floor(passed / CALM_STEP_S) * CALM_STEP_S : passed));
      if (at !== shown) move((player.time = shown = at));
      if (from + passed >= to) stop();
      else player.frame = requestAnimationFrame(step);
    };
    player.frame = requestAnimationFrame(step);
  }

  // Another angle of the same set over the same time; it follows the zoom of the one above.
  function buildSmall(curve, host, above, axis) {
    const data = decode(curve.points, curve.from);
    const u = new uPlot({
      width: host.clientWidth,
      height: SMALL_HEIGHT,
      legend: { show: false },
      cursor: { show: false },
      scales: { x: { time: false }, y: { range: range(curve, data[1]) } },
      axes: [
        { ...axis, size: 8, values: (_, at) => at.map(() => "") },
        { ...axis, size: 48, space: 28, values: (_, at) => at.map((angle) => degrees(angle, 0)) },
      ],
      series: [{}, { stroke: () => colour("--curve"), width: 1.5, pxAlign: 0, points: { show: false } }],
      hooks: { drawClear: [(plot) => drawBoxes(plot, curve.boxes)] },
    }, data, host);
    u.setScale("x", { min: above.scales.x.min, max: above.scales.x.max });
    charts.push({ u, host, small: true });
    new ResizeObserver(() => {
      if (!root.classList.contains("printing")) u.setSize({ width: host.clientWidth, height: SMALL_HEIGHT });
    }).observe(host);
    return u;
  }

  function build(curve) {
    const section = document.getElementById(curve.id);
    const host = section.querySelector(".chart");
    const readout = section.querySelector(".readout");
    const figure = section.querySelector(".posed");
    if (figure) addPosture(figure, curve.pose.side);
    const data = decode(curve.points, curve.from);
    const [first, last] = [data[0][0], data[0][data[0].length - 1]];
    const axis = {
      stroke: () => colour("--soft"),
      font: "12px " + FONT,
      grid: { stroke: () => colour("--rule"), width: 1 },
      ticks: { stroke: () => colour("--rule"), width: 1 },
    };
    let small = null;
    const u = new uPlot({
      width: host.clientWidth,
      height: HEIGHT,
      legend: { show: false },
      cursor: { y: false, drag: { x: true, y: false }, points: { size: 9, fill: () => colour("--curve") } },
      scales: { x: { time: false }, y: { range: range(curve, data[1]) } },
      axes: [
        { ...axis, size: 34, values: (_, at, __, ___, step) => at.map((s) => clock(s, step < 1 ? 1 : 0)) },
        { ...axis, size: 48, values: (_, at) => at.map((angle) => degrees(angle, 0)) },
      ],
      series: [{}, { stroke: () => colour("--curve"), width: 1.5, pxAlign: 0, points: { show: false } }],
      hooks: {
        setScale: [(plot, key) => {
          const { min, max } = plot.scales.x;
          if (key === "x" && small) small.forEach((other) => other.setScale("x", { min, max }));
        }],
        drawClear: [(plot) => drawBehind(plot, curve)],
        draw: [(plot) => drawFront(plot, curve)],
        setCursor: [(plot) => {
          say(plot, curve, readout);
          if (plot.cursor.idx == null || plot.cursor.left < 0) return;
          drawPosture(section, curve, player.time ?? plot.data[0][plot.cursor.idx]);
        }],
      },
    }, data, host);
    charts.push({ u, host });
    small = [...section.querySelectorAll(".chart.small")].map((place, i) => buildSmall(curve.more[i], place, u, axis));

    const zoom = (min, max) => u.setScale("x", { min, max });
    section.querySelector(".reset").addEventListener("click", () => zoom(first, last));
    const show = (rep) => {
      zoom(Math.max(first, rep.start - 1), Math.min(last, rep.end + 1));
      host.scrollIntoView({ block: "nearest" });
    };
    section.querySelectorAll(".reps .zoom").forEach((button, i) => {
      button.addEventListener("click", () => {
        stop();
        show(curve.reps[i]);
      });
    });
    section.querySelectorAll(".reps .zoom").forEach((zoomer, i) => {
      if (!figure) return;
      const rep = curve.reps[i];
      const button = document.createElement("button");
      button.className = "play";
      button.textContent = "▶";
      button.setAttribute("aria-label", "Play rep " + rep.rep);
      zoomer.after(button);
      button.addEventListener("click", () => {
        show(rep);
        play(button, rep.start, rep.end, (time) => {
          u.setCursor({ left: u.valToPos(time, "x"), top: 0 });
          drawPosture(section, curve, time);
        });
      });
    });
    host.addEventListener("pointerdown", stop);
    // Before anything is pointed at, the arm is shown where the drill turns round.
    const shown = curve.reps.find((rep) => rep.status !== "excluded" && rep.top_start !== null) ?? curve.reps[0];
    if (shown) drawPosture(section, curve, (shown.top_start + (shown.top_end ?? shown.top_start)) / 2);
    host.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
      if (!step) return;
      event.preventDefault();
      stop();
      const i = Math.min(Math.max((u.cursor.idx ?? 0) + step, 0), data[0].length - 1);
      u.setCursor({ left: u.valToPos(data[0][i], "x"), top: 0 });
    });
    new ResizeObserver(() => {
      if (!root.classList.contains("printing")) u.setSize({ width: host.clientWidth, height: HEIGHT });
    }).observe(host);
  }

  function resize(printing) {
    root.classList.toggle("printing", printing);
    for (const { u, host, small } of charts) {
      u.setSize(printing
        ? { width: PRINT_WIDTH - (host.closest(".posed") ? PRINT_POSTURE : 0), height: small ? SMALL_PRINT_HEIGHT : PRINT_HEIGHT }
        : { width: host.clientWidth, height: small ? SMALL_HEIGHT : HEIGHT });
    }
  }

  function named([rep, start, top_start, top_end, end, top, held, status, why]) {
    return { rep, start, top_start, top_end, end, top, held, status, why };
  }

  for (const curve of curves) {
    const pose = { ...curve.pose, frames: postures(curve.pose.keys) };
    build({ ...curve, pose, reps: curve.reps.map(named) });
  }
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => charts.forEach(({ u }) => u.redraw()));
  addEventListener("beforeprint", () => resize(true));
  addEventListener("afterprint", () => resize(false));
})();
