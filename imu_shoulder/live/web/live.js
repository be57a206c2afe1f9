// The page: one socket to the server, its frames drawn once per screen refresh, keys and buttons as commands.
import { Arm } from "./arm.js";
import { before } from "./before.js";
import { get, list, show, Squeezed, write } from "./parts.js";
import { next, openDialog, openMenu, take } from "./menu.js";
import { corrections, counted, over, table } from "./looked_back.js";
import { sound, sounding, switchSound, wakeSound } from "./sound.js";
import { Pain, Stop } from "./pain.js";
import { Question } from "./scale.js";
import { calibrate, done, ready, Sensors } from "./stages.js";
import { beginVoice, hasVoice, speak, speaking, switchVoice, whenVoicesChange } from "./voice.js";

const RETRY_MS = 500;
const DEAF_MS = 2500;
// The server is told of every so many frames that they were drawn.
const ACKNOWLEDGE = 4;
const SECTIONS = ["wait", "calibrate", "ready", "set", "pain", "effort", "stop", "over", "done"];
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
const effort = new Question(
  "effort",
  (value) => (value === null ? send("effort_not_rated") : send("effort", { value })),
  () => newest !== null && buttons(newest.frame),
);
const stop = new Stop(send);
const cue = new Squeezed(get("cue"), 2);
const title = new Squeezed(get("title"), 1, 2);
const place = new Squeezed(get("where-now"), 1, 2);

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
  if (!["ready", "over"].includes(frame.stage)) worse = false;
  const now = worse ? "pain" : frame.stage;
  if (now !== stage) enter(now);
  heading(frame);
  alarm(frame, silent, log_error);
  sensors.draw(frame);
  sensorPanel();
  if (stage === "calibrate") calibrate(frame);
  else if (stage === "ready") {
    ready(frame, hello === null ? [] : [hello.help[0], hello.cautions[0]]);
    if (frame.drill !== null) before(frame.drill, hello?.drawings[frame.drill.number - 1]?.[frame.drill.direction ?? ""]);
  }
  else if (stage === "set") set(messages.map((message) => message.frame).filter((f) => f.stage === "set"));
  else if (stage === "pain") pain.draw(frame, worse);
  else if (stage === "over") over(frame);
  else if (stage === "stop") stop.draw(frame, hello?.help ?? []);
  else if (stage === "done") done(saved), table(get("done-sets"), frame.sets);
  if (["pain", "effort"].includes(stage)) counted(get(`${stage}-count`), frame, send);
  for (const message of messages) sound(message.frame);
  buttons(frame);
  for (const { number, sent_ms, frame } of messages) document.dispatchEvent(new CustomEvent("drawn", { detail: { number, sent_ms, t: frame.t } }));
}

function enter(next) {
  stage = next;
  document.body.dataset.stage = next;
  beginVoice();
  for (const name of SECTIONS) show(get(name), name === next);
  for (const question of [pain, effort, stop]) question.begin();
  if (get("menu").open) get("menu").close();
  sensorPanel();
  // Space must mean the one thing that this stage offers, not the button pressed last.
  if (document.activeElement instanceof HTMLButtonElement) get("main").focus();
}

function heading(frame) {
  const drill = frame.drill;
  if (drill === null || stage === "calibrate" || stage === "done") {
    title.write(stage === "done" ? "Warm-up" : "Calibration");
    place.write("");
    write(get("where-more"), hello === null ? "" : `${hello.athlete} · ${{ demo: "simulated athlete", replay: "replay of a recording", ble: "live" }[hello.source]}${hello.minutes === null || stage === "done" ? "" : ` · about ${hello.minutes} min in all`}`);
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
    speak(one);
  }
  for (const side of sides) arms[side].draw(frame.arms[side], frame.t, frame.set_done);
  cue.write(frame.cue ? `➜ ${frame.cue.text}` : "");
  get("cue").classList.toggle("on", frame.cue !== null);
}

// Stage -> words on the middle button and its command; null where there is nothing to press.
function middle(frame) {
  if (stage === "calibrate") {
    const command = STEP_COMMANDS[frame.calibration.step];
    const { side, running, verdict } = frame.calibration;
    return command && !running ? [verdict === "again" ? "Again" : "Begin this step", command, side === null ? {} : { side }] : null;
  }
  if (stage === "ready") return ["Start the set", "start_set"];
  if (stage === "over") return ["End and save", null];
  if (stage === "set") return ["End set", "stop_set"];
  return null;
}

// What asks for a number just now, if anything does.
function asking() {
  return { pain, effort }[stage] ?? (stage === "stop" && stop.open ? stop : null);
}

const end = () => get("end-dialog").showModal();

// What else can be done in this stage, each in words and as what it does.
function others(frame) {
  const tell = (name) => () => send(name);
  const latest = frame.sets.at(-1);
  const fix = stage === "set" ? corrections(frame.arms, send) : latest ? corrections(latest.arms, send) : [];
  const more = ["More pain", () => (worse = true)];
  const items = {
    calibrate: frame.calibration.step === "pose" ? [] : [["Leave this step out", tell("skip")], ...again(frame)],
    ready: [["Next drill", tell("next_drill")], ["Drill before", tell("previous_drill")], ...ways(frame), more, ...fix, ...again(frame)],
    set: [...fix, ["End the set and calibrate again", () => ["stop_set", "calibrate_pose"].forEach((name) => send(name))]],
    over: [...fix, more, ["One more set", tell("previous_drill")], ...again(frame)],
  }[stage];
  return [["Go on as before", () => {}], ...(items ?? []), ...(stage === "set" ? [] : [["End and save", end]])];
}

// The other directions that the drill may go in.
function ways(frame) {
  const all = Object.entries(frame.drill?.directions ?? {}).filter(([name]) => name !== frame.drill.direction);
  return all.map(([name, words]) => [`Go ${words} instead`, () => send("direction", { value: name })]);
}

// The calibration from its start, or the movements of one arm where two are worn.
function again(frame) {
  const sides = ["right", "left"].filter((side) => Object.keys(frame.sensors).some((name) => name.startsWith(side)));
  const alone = sides.length < 2 ? [] : sides.map((side) => [`Calibrate the ${side} arm alone`, () => send("calibrate_bends", { side })]);
  return [["Calibrate again from the pose", () => send("calibrate_pose")], ...alone];
}

function buttons(frame) {
  const asks = ["pain", "effort"].includes(stage);
  const words = asks ? asking().word : middle(frame)?.[0];
  show(get("go"), Boolean(words));
  write(get("go"), words ?? "");
  write(get("other"), asks ? "Next number" : stage === "set" ? "±1" : "What else");
  // The glyph of the key that does the same: the two keys of a presenter do all of it.
  get("go").dataset.key = asks ? "◀" : "▶";
  get("other").dataset.key = asks ? "▶" : "◀";
  get("other").setAttribute("aria-label", stage === "set" ? "±1: correct the count" : get("other").textContent);
  const skips = stage === "calibrate" && frame.calibration.step !== "pose";
  show(get("next"), stage === "ready" || skips);
  write(get("next"), skips ? "Leave out" : "Next drill");
  const told = ["ready", "over"].includes(frame.stage);
  show(get("worse"), told);
  write(get("worse"), worse ? "No, go on" : "More pain");
  show(get("end-button"), stage !== "done" && stage !== "wait");
}

function go() {
  if (newest === null) return;
  const asks = asking();
  const found = middle(newest.frame);
  if (asks !== null) asks.answer();
  else if (stage === "over" || stage === "stop") end();
  else if (stage === "done") {
    if (newest.saved.state === "saved") location.assign("/report");
  } else if (found !== null) send(...found.slice(1));
}

// The two keys of a presenter. Forward goes on with what is due, or to the next choice; back takes that choice, or
// shows what else can be done.
function forward() {
  const dialog = openDialog();
  if (dialog !== null) next(dialog);
  else if (asking() !== null) asking().scale.next();
  else go();
}

function back() {
  const dialog = openDialog();
  if (dialog !== null) take(dialog);
  else if (asking() !== null) asking().answer();
  else if (newest !== null && !["wait", "stop", "done"].includes(stage)) openMenu(others(newest.frame));
}

function upOrDown(by) {
  const dialog = openDialog();
  if (dialog !== null) next(dialog, -by);
  else asking()?.scale.move(by);
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
  if (event.repeat || event.ctrlKey || event.metaKey || event.altKey) return;
  // A button of a dialog that was just closed may have the focus for a moment longer.
  const control = event.target instanceof Element ? event.target.closest("button, a") : null;
  const onControl = control !== null && control.closest("dialog:not([open])") === null;
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  if (onControl && (key === " " || key === "Enter")) return;
  if (key === "ArrowRight" || key === "PageDown") forward();
  else if (key === "ArrowLeft" || key === "PageUp") back();
  else if (key === "ArrowUp" || key === "ArrowDown") upOrDown(key === "ArrowUp" ? 1 : -1);
  else if (openDialog() !== null) return;
  else if (key === " ") go();
  else if (key >= "0" && key <= "9" && key.length === 1 && asking() !== null) asking().scale.type(Number(key));
  else if (key === "m") switchSound(), soundWord();
  else if (key === "v") switchVoice(), voiceWord();
  else if (key === "s") switchPanel();
  else return;
  wakeSound();
  event.preventDefault();
});

get("go").addEventListener("click", go);
get("other").addEventListener("click", () => (asking() === null ? back() : forward()));
get("next").addEventListener("click", () => send(stage === "calibrate" ? "skip" : "next_drill"));
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
get("end-button").addEventListener("click", end);
get("end-no").addEventListener("click", () => get("end-dialog").close());
get("end-yes").addEventListener("click", () => {
  get("end-dialog").close();
  send("finish");
});

// A finger on a button leaves nothing behind: space goes on meaning what the stage offers.
addEventListener("click", (event) => {
  if (event.detail > 0 && event.target.closest("button") && openDialog() === null) get("main").focus();
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
