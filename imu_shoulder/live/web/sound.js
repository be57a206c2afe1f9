// Short tones: one each second of a hold, two at its target. The browser lets a page sound only after it was touched.
const KEY = "warm-up sound";
let context = null;
let on = localStorage.getItem(KEY) !== "off";
const heard = {};

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

export function sound(frame) {
  const wanted = Object.entries(frame.arms).map(([side, arm]) => soundOf(side, arm));
  const found = wanted.includes("target") ? "target" : wanted.includes("tick") ? "tick" : null;
  if (found === null) return;
  document.dispatchEvent(new CustomEvent("sound", { detail: found }));
  if (!on) return;
  if (found === "tick") tone(440, 0, 0.09);
  else for (const [hz, after] of [[660, 0], [990, 0.16]]) tone(hz, after, 0.32);
}
