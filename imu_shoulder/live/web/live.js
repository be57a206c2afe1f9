// The page: one socket to the server, its frames drawn once per screen refresh, keys and buttons as commands.
import { Arm } from "./arm.js";
import { before } from "./before.js";
import { get, list, show, Squeezed, write } from "./parts.js";
import { sound, sounding, switchSound, wakeSound } from "./sound.js";
import { Pain, Stop } from "./pain.js";
import { calibrate, done, ready, Sensors } from "./stages.js";
import { beginVoice, hasVoice, speak, speaking, switchVoice, whenVoicesChange } from "./voice.js";

const RETRY_MS = 500;
const DEAF_MS = 2500;
// The server is told of every so many frames that they were drawn.
const ACKNOWLEDGE = 4;
const SECTIONS = ["wait", "calibrate", "ready", "set", "pain", "stop", "done"];
const STEP_COMMANDS = {
  pose: "calibrate_pose",
  bends: "calibrate_bends",
  raises: "calibrate_raises",
  high: "calibrate_high",
};

let socket = null;
let newest = null;
// Frames that came since the last drawing.
let pending = [];
let waiting = false;
let unsaid = 0;
let stage = "wait";
let heardAt = 0;
let asked = 0;
let hello = null;
let arms = {};
let panel = false;
// More pain is being told than was rated.
let worse = false;

const sensors = new Sensors();
const pain = new Pain(
  (...answer) => {
    worse = false;
    send(...answer);
  },
  () => newest !== null && buttons(newest.frame),
);
const stop = new Stop(send);
const cue = new Squeezed(get("cue"), 2);
const title = new Squeezed(get("title"), 1);
const place = new Squeezed(get("where-now"), 1);

function connect() {
  socket = new WebSocket(`ws://${location.host}/live`);
  socket.onmessage = ({ data }) => {
    heardAt = performance.now();
    const message = JSON.parse(data);
    if (message.type === "frame") {
      newest = message;
      if (document.hidden) {
        // Nothing is drawn: what is shown on return is the newest.
        pending = [];
        seen(message.number);
      }
      pending.push(message);
      if (!waiting) {
        waiting = true;
        requestAnimationFrame(draw);
      }
    } else if (message.type === "answer") answered(message);
    else greet(message);
  };
  socket.onclose = () => {
    socket = null;
    setTimeout(connect, RETRY_MS);
  };
}

function seen(number) {
  if (socket?.readyState === WebSocket.OPEN) socket.send(JSON.stringify({ seen: number }));
}

function send(name, args = {}) {
  wakeSound();
  if (socket?.readyState !== WebSocket.OPEN) return answered({ taken: false, text: "No connection to the server just now." });
  socket.send(JSON.stringify({ id: ++asked, do: name, args }));
  return undefined;
}

function answered({ taken, text }) {
  for (const place of ["answer", "slip-answer"]) write(get(place), taken ? text : `× ${text}`);
}

function greet(message) {
  hello = message;
  list(get("cautions"), hello.cautions);
}

// The newest frame is what is shown; traces and sounds take the values of all.
function draw() {
  waiting = false;
  const messages = pending;
  pending = [];
  const { frame, saved, number, silent, log_error } = newest;
  unsaid += messages.length;
  if (unsaid >= ACKNOWLEDGE) {
    unsaid = 0;
    seen(number);
  }
  if (frame.stage !== "ready") worse = false;
  const now = worse ? "pain" : frame.stage;
  if (now !== stage) enter(now);
  heading(frame);
  alarm(frame, silent, log_error);
  sensors.draw(frame);
  sensorPanel();
  if (stage === "calibrate") calibrate(frame);
  else if (stage === "ready") {
    ready(frame, hello === null ? [] : [hello.help[0], hello.cautions[0]]);
    if (frame.drill !== null) before(frame.drill, hello?.drawings[frame.drill.number - 1]);
  }
  else if (stage === "set") set(messages.map((message) => message.frame).filter((f) => f.stage === "set"));
  else if (stage === "pain") pain.draw(frame, worse);
  else if (stage === "stop") stop.draw(frame, hello?.help ?? []);
  else if (stage === "done") done(saved);
  buttons(frame);
  for (const { number, sent_ms, frame } of messages) document.dispatchEvent(new CustomEvent("drawn", { detail: { number, sent_ms, t: frame.t } }));
}

function enter(next) {
  stage = next;
  document.body.dataset.stage = next;
  beginVoice();
  for (const name of SECTIONS) show(get(name), name === next);
  pain.begin();
  stop.begin();
  sensorPanel();
  // Space must mean the one thing that this stage offers, not the button pressed last.
  if (document.activeElement instanceof HTMLButtonElement) get("main").focus();
}

function heading(frame) {
  const drill = frame.drill;
  if (drill === null || stage === "calibrate" || stage === "done") {
    title.write(stage === "done" ? "Warm-up" : "Calibration");
    place.write("");
    write(get("where-more"), hello === null ? "" : `${hello.athlete} · ${{ demo: "simulated athlete", replay: "replay of a recording", ble: "live" }[hello.source]}`);
    return;
  }
  title.write(drill.title);
  const side = drill.side === "both" ? "both arms" : `${drill.side} arm`;
  place.write(`set ${drill.set} of ${drill.sets} · ${side}`);
  const more = [`drill ${drill.number} of ${drill.of}`, frame.next && `next: ${frame.next}`, drill.reads];
  write(get("where-more"), more.filter(Boolean).join(" · "));
}

function alarm(frame, silent, logError) {
  const said = logError
    ? `Recording has stopped: ${logError}`
    : silent && frame.stage !== "done"
      ? "No sensor is heard. Count and timer wait."
      : frame.warnings.join(" ");
  tellAlarm(said);
}

function tellAlarm(text) {
  write(get("alarm"), text ? `! ${text}` : "");
  show(get("alarm"), Boolean(text));
}

function set(frames) {
  const frame = frames.at(-1);
  const sides = Object.keys(frame.arms);
  if (sides.join() !== Object.keys(arms).join() || get("arms").childElementCount !== sides.length) {
    arms = Object.fromEntries(sides.map((side) => [side, new Arm(side, sides.length === 1)]));
    // As in a mirror: the left arm is on the left.
    get("arms").replaceChildren(...["left", "right"].filter((side) => side in arms).map((side) => arms[side].root));
    get("arms").dataset.count = sides.length;
  }
  for (const one of frames) {
    for (const side of sides) if (one.arms[side]) arms[side].note(one.arms[side], one.t);
    sound(one);
    speak(one);
  }
  for (const side of sides) arms[side].draw(frame.arms[side], frame.t);
  cue.write(frame.cue ? `➜ ${frame.cue.text}` : "");
  get("cue").classList.toggle("on", frame.cue !== null);
}

// Stage -> words on the middle button and its command; null where there is nothing to press.
function middle(frame) {
  if (stage === "calibrate") {
    const command = STEP_COMMANDS[frame.calibration.step];
    return command && !frame.calibration.running ? [frame.calibration.verdict === "again" ? "Again" : "Begin this step", command] : null;
  }
  if (stage === "ready") return ["Start the set", "start_set"];
  if (stage === "set") return ["End the set", "stop_set"];
  return null;
}

// What asks for a number of pain just now, if anything does.
function asking() {
  return stage === "pain" ? pain : stage === "stop" && stop.open ? stop : null;
}

function buttons(frame) {
  const words = stage === "pain" ? pain.word : middle(frame)?.[0];
  show(get("go"), Boolean(words));
  write(get("go"), words ?? "");
  const moves = ["ready", "pain"].includes(stage);
  const skips = stage === "calibrate" && frame.calibration.step !== "pose";
  show(get("back"), moves);
  show(get("next"), moves || skips);
  write(get("next"), stage === "pain" ? "More ▶" : skips ? "Leave out ▶" : "Next drill ▶");
  write(get("back"), stage === "pain" ? "◀ Less" : "◀ Drill before");
  show(get("worse"), frame.stage === "ready");
  write(get("worse"), worse ? "No, go on" : "More pain");
  show(get("end-button"), stage !== "done" && stage !== "wait");
}

function go() {
  if (newest === null) return;
  const asks = asking();
  const found = middle(newest.frame);
  if (asks !== null) asks.answer();
  else if (found !== null) send(found[1]);
  else if (stage === "stop") get("end-dialog").showModal();
}

function step(by) {
  const asks = asking();
  if (asks !== null) asks.scale.move(by);
  else if (stage === "calibrate") {
    if (by > 0) send("skip");
  } else if (stage !== "wait" && stage !== "done" && stage !== "stop") send(by > 0 ? "next_drill" : "previous_drill");
}

function sensorPanel() {
  // Before the sets a sensor that is not well opens it.
  const shown = panel || (stage === "calibrate" && sensors.odd);
  show(get("sensors"), shown);
  const button = get("sensors-button");
  if (button.getAttribute("aria-expanded") !== String(shown)) button.setAttribute("aria-expanded", String(shown));
}

function switchPanel() {
  panel = !panel;
  sensorPanel();
}

function soundWord() {
  write(get("sound-word"), sounding() ? "Sound on" : "Sound off");
  get("sound-button").setAttribute("aria-pressed", String(sounding()));
}

function voiceWord() {
  write(get("voice-word"), speaking() ? "Voice on" : hasVoice() ? "Voice off" : "No voice here");
  get("voice-button").setAttribute("aria-pressed", String(speaking()));
  get("voice-button").disabled = !hasVoice();
}

addEventListener("keydown", (event) => {
  if (event.repeat || event.ctrlKey || event.metaKey || event.altKey || get("end-dialog").open) return;
  const onControl = event.target instanceof Element && event.target.closest("button, a") !== null;
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  if (onControl && (key === " " || key === "Enter")) return;
  if (key === " ") go();
  else if (key === "ArrowRight" || key === "PageDown") step(1);
  else if (key === "ArrowLeft" || key === "PageUp") step(-1);
  else if (key >= "0" && key <= "9" && key.length === 1 && asking() !== null) asking().scale.type(Number(key));
  else if (key === "m") switchSound(), soundWord();
  else if (key === "v") switchVoice(), voiceWord();
  else if (key === "s") switchPanel();
  else return;
  wakeSound();
  event.preventDefault();
});

get("go").addEventListener("click", go);
get("back").addEventListener("click", () => step(-1));
get("next").addEventListener("click", () => step(1));
get("sound-button").addEventListener("click", () => {
  switchSound();
  soundWord();
});
get("voice-button").addEventListener("click", () => {
  switchVoice();
  voiceWord();
});
whenVoicesChange(voiceWord);
get("sensors-button").addEventListener("click", switchPanel);
get("worse").addEventListener("click", () => {
  worse = !worse;
});
get("end-button").addEventListener("click", () => get("end-dialog").showModal());
get("end-no").addEventListener("click", () => get("end-dialog").close());
get("end-yes").addEventListener("click", () => {
  get("end-dialog").close();
  send("finish");
});

// A finger on a button leaves nothing behind: space goes on meaning what the stage offers.
addEventListener("click", (event) => {
  if (event.detail > 0 && event.target.closest("button") && !get("end-dialog").open) get("main").focus();
});

setInterval(() => {
  if (stage === "wait" || performance.now() - heardAt <= DEAF_MS) return;
  tellAlarm("No connection. Trying again; the recording goes on without this page.");
}, 500);

async function stayAwake() {
  try {
    await navigator.wakeLock?.request("screen");
  } catch {
    // Not granted: the tablet's own settings decide.
  }
}
document.addEventListener("visibilitychange", () => {
  if (!document.hidden) stayAwake();
});

soundWord();
voiceWord();
stayAwake();
connect();
