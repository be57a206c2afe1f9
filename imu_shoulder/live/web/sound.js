// Short tones: one each second of a hold, two at its target, three when a set is done, one long one when a rest is over. The browser lets a page sound only after it was touched.
const KEY = "warm-up sound";
let context = null;
let on = localStorage.getItem(KEY) !== "off";
const heard = {};
// Of the frame before: whether the set was done, and what was left of a rest.
let before = null;
const TONES = {
  tick: [[440, 0, 0.09]],
  target: [[660, 0, 0.32], [990, 0.16, 0.32]],
  done: [[660, 0, 0.2], [880, 0.2, 0.2], [1320, 0.4, 0.6]],
  rest: [[880, 0, 0.9]],
};

export const sounding = () => on;

export function switchSound() {
  on = !on;
  localStorage.setItem(KEY, on ? "on" : "off");
  wakeSound();
  if (on) tone(660, 0, 0.08);
  return on;
}

export function wakeSound() {
  if (!on) return;
  context ??= new AudioContext();
  if (context.state === "suspended") context.resume();
}

function tone(hz, after_s, length_s, volume = 0.3) {
  if (!context || context.state !== "running") return;
  const start = context.currentTime + after_s;
  const source = context.createOscillator();
  const gain = context.createGain();
  source.frequency.value = hz;
  gain.gain.setValueAtTime(0, start);
  gain.gain.linearRampToValueAtTime(volume, start + 0.008);
  gain.gain.setTargetAtTime(0, start + length_s * 0.6, length_s / 6);
  source.connect(gain).connect(context.destination);
  source.start(start);
  source.stop(start + length_s + 0.1);
}

// What a frame asks for, compared with the frame before; returns its name, so that it can be looked at.
export function soundOf(side, arm) {
  const before = heard[side] ?? { second: 0, done: false };
  const second = arm.phase === "hold" && arm.hold_s !== null ? Math.floor(arm.hold_s) : 0;
  heard[side] = { second, done: arm.hold_done };
  if (arm.hold_done && !before.done) return "target";
  return second > before.second && !arm.hold_done ? "tick" : null;
}

// What the whole frame asks for; the first one that a page sees asks for nothing.
function soundOfAll(frame) {
  const last = before;
  const left_s = frame.rest?.left_s ?? null;
  before = { done: frame.set_done, left_s };
  if (last === null) return null;
  if (frame.set_done && !last.done) return "done";
  return left_s === 0 && last.left_s > 0 ? "rest" : null;
}

export function sound(frame) {
  const wanted = [soundOfAll(frame), ...Object.entries(frame.arms).map(([side, arm]) => soundOf(side, arm))];
  const found = ["done", "rest", "target", "tick"].find((name) => wanted.includes(name));
  if (found === undefined) return;
  document.dispatchEvent(new CustomEvent("sound", { detail: found }));
  if (on) for (const [hz, after_s, length_s] of TONES[found]) tone(hz, after_s, length_s);
}
