// Spoken count, "hold", "lower" and the one cue, for who cannot see the page. Only a voice that the device itself has is
// used: one that is fetched would send the words to somebody, and stay silent without a network.
const KEY = "warm-up voice";
const LANGUAGE = "en";
const synthesis = window.speechSynthesis ?? null;
let on = localStorage.getItem(KEY) === "on";
// Of the frame before, in the same set.
let before = null;

function voice() {
  const own = synthesis === null ? [] : synthesis.getVoices().filter((one) => one.localService);
  const spoken = own.filter((one) => one.lang.toLowerCase().startsWith(LANGUAGE));
  return spoken.find((one) => one.default) ?? spoken[0] ?? null;
}

export const hasVoice = () => voice() !== null;
export const speaking = () => on && hasVoice();

export function switchVoice() {
  if (!hasVoice()) return;
  on = !on;
  localStorage.setItem(KEY, on ? "on" : "off");
  synthesis.cancel();
  if (on) say("Voice on");
}

// told: called when the device's voices are known, or others are.
export function whenVoicesChange(told) {
  synthesis?.addEventListener("voiceschanged", told);
}

// at once: what is due this moment; what was still to be said is late by then.
function say(text, atOnce = false) {
  const own = voice();
  if (!on || own === null) return;
  if (atOnce) synthesis.cancel();
  const words = new SpeechSynthesisUtterance(text);
  words.voice = own;
  words.lang = own.lang;
  synthesis.speak(words);
}

// Several arms that lift are one voice: the count that all have, the hold of the first, the lowering of the last.
function state(frame) {
  const arms = Object.values(frame.arms).filter((arm) => arm.role === "lift");
  const held = arms.filter((arm) => arm.phase === "hold" && arm.hold_target_s);
  const done = held.length > 0 && held.every((arm) => arm.hold_done);
  return {
    count: arms.length ? Math.min(...arms.map((arm) => arm.count)) : 0,
    holds: held.length > 0,
    lower: done ? (held[0].next_station ?? "lower").replaceAll("_", " ") : null,
    station: held[0]?.station ?? null,
    cue: frame.cue?.text ?? null,
    done: frame.set_done,
    sinks: frame.cue?.code === "holder_sinks",
  };
}

// A set begins: nothing of the one before is compared with it.
export function beginVoice() {
  before = null;
}

export function speak(frame) {
  const now = state(frame);
  const last = before;
  before = now;
  if (last === null) return;
  // Keeps from harm: before all else, and nothing with it.
  if (now.sinks) return void (last.sinks || say(now.cue, true));
  if (now.lower !== null && last.lower === null) say(now.lower, true);
  else if (now.holds && (!last.holds || now.station !== last.station)) say("hold", true);
  if (now.count > last.count) say(String(now.count));
  if (now.done && !last.done) say("set done");
  if (now.cue !== null && now.cue !== last.cue) say(now.cue);
}
