// The recorder page: ask, check, record, keep, send. What is recorded is on the phone before anything else happens to it.

import { cardOf, Steps } from "./recorder_card.js";
import { Collector } from "./recorder_piece.js";
import { Away, Locked, send } from "./recorder_send.js";
import { Motion, Place, Sound, stillness } from "./recorder_sensors.js";
import * as store from "./recorder_store.js";

const STILL_MS = 3000;
// A hand sways: tilting by a third of a degree moves gravity by 0.06 m/s^2. An idling engine shakes, but does not tilt. Judged, no source.
const MOST_SWAY = 0.06;
const MOST_SHAKE = 0.6;
const GOOD_RATE = 50;
const RETRY_MS = [2000, 5000, 15000, 30000];

const $ = (id) => document.getElementById(id);
const go = $("go");
const live = $("live");
const MOST_S = Number(go.dataset.most);
const collector = new Collector();
const steps = new Steps(cardOf(location.hash));
const recent = []; // motion of the last seconds, for the still check
let phase = "idle";
let recording = null; // the row of the store while it records
let begun = 0; // of the page's steady clock
let writing = Promise.resolve();
let release = () => {};
let ticking = null;
let wake = null;
let fixed = null;
let placeSaid = "";
let still = null;
let soundSaid = "";

const since = (stamp) => (stamp - begun) / 1000;

const motion = new Motion((stamp, values) => {
  recent.push({ stamp, values });
  if (recent.length > 4000) recent.splice(0, 2000);
  if (recording && stamp >= begun) collector.rows.push(since(stamp), ...values);
});

const place = new Place(
  (fix) => {
    fixed = fix;
    if (!recording || fix.speed === null) return;
    const arrived_s = since(fix.arrived);
    const own = (fix.stamp - recording.begun) / 1000;
    // a phone whose positions run by another clock than its pages: then the time of arrival is the best there is
    const time_s = Math.abs(own - arrived_s) < 30 ? own : arrived_s;
    collector.fixes.push([time_s, Math.min(fix.speed, 200), arrived_s, fix.from, Number.isFinite(fix.accuracy) ? Math.min(fix.accuracy, 1e6) : null]);
  },
  (said) => (placeSaid = said),
);

const sound = new Sound(
  (segment, frame, arrived, samples) => {
    if (recording) collector.addSound(segment, frame, since(arrived), samples, sound.rate);
  },
  (what) => note(what),
);

function note(what) {
  if (recording) collector.events.push({ time_s: since(performance.now()), what });
}

function complain(sentence) {
  const said = document.createElement("p");
  said.className = "problem";
  said.setAttribute("role", "alert");
  said.textContent = sentence;
  $("trouble").replaceChildren(said);
  said.scrollIntoView({ block: "center" });
}

function button(words, ready, armed = false) {
  go.textContent = words;
  go.disabled = !ready;
  go.classList.toggle("armed", armed);
}

function show(id, words, good) {
  const cell = $(id);
  if (cell.textContent !== words) cell.textContent = words;
  cell.className = good === undefined ? "" : good ? "good" : "poor";
}

// ---- ask and check

async function prepare() {
  phase = "asking";
  soundSaid = placeSaid = "";
  $("trouble").replaceChildren();
  button("Allow what the phone asks", false);
  // all begun within the tap, since phones answer to nothing else
  const moves = Motion.permission();
  const hears = sound.start().catch((trouble) => (soundSaid = trouble.name === "NotAllowedError" ? "not allowed" : "no microphone"));
  place.start();
  navigator.storage?.persist?.().catch(() => {});
  const allowed = await moves;
  await hears;
  if (!allowed) {
    again("The phone does not let this page measure motion. Allow “motion and orientation” for this page in the browser's settings, then try again.");
    return;
  }
  motion.start();
  await keepAwake();
  $("ready").hidden = false;
  ticking ??= setInterval(refresh, 500);
  await check();
}

function again(sentence) {
  complain(sentence);
  phase = "idle";
  place.stop();
  sound.stop();
  button("Get ready", $("agreed").checked);
}

async function check() {
  phase = "checking";
  $("anyway-line").hidden = true;
  button("Hands off: three seconds", false);
  $("said").textContent = "Lay the phone where it will stay, and let go of it.";
  await new Promise((resolve) => setTimeout(resolve, 700));
  recent.length = 0;
  await new Promise((resolve) => setTimeout(resolve, STILL_MS));
  if (recent.length < 10) {
    again("No motion arrives from this phone. Has it a motion sensor, and may this browser use it?");
    return;
  }
  const found = stillness(recent);
  still = { seconds: STILL_MS / 1000, ...found, passed: found.sway_mps2 < MOST_SWAY && found.shake_mps2 < MOST_SHAKE };
  show("still", still.passed ? "yes" : found.sway_mps2 >= MOST_SWAY ? "no: it sways as in a hand" : "no: it shakes already", still.passed);
  phase = still.passed ? "ready" : "again";
  $("anyway-line").hidden = still.passed;
  button(still.passed ? "Record" : "Check again", true, still.passed);
  $("said").textContent = still.passed ? "Ready. Start it, then drive." : "The phone does not lie still. Fasten it, let go of it, and check again.";
}

async function refresh() {
  const rate = motion.rate(performance.now());
  if (rate) show("motion", `${rate.toFixed(0)} a second: shows up to ${(rate / 2).toFixed(0)} Hz`, rate >= GOOD_RATE);
  if (fixed?.speed != null) show("speed", `${(fixed.speed * 3.6).toFixed(0)} km/h, ${(fixed.speed / 0.44704).toFixed(0)} mph, place known to ${fixed.accuracy.toFixed(0)} m`, true);
  else if (fixed) show("speed", `fix to ${fixed.accuracy.toFixed(0)} m, no speed yet`, true);
  else if (placeSaid) show("speed", `${placeSaid}: give the speed afterwards`, false);
  const level = sound.level();
  if (soundSaid) show("sound", `${soundSaid}: recorded without it`, false);
  else show("sound", Number.isFinite(level) ? `${level.toFixed(0)} dB of full scale` : "silent", Number.isFinite(level) && level < -1);
  const free = await store.freeBytes();
  const minute = 60 * (2 * (sound.rate || 0) + 100 * 80);
  if (free === null) show("space", "the browser does not tell");
  else show("space", `${(free / 1e6).toFixed(0)} MB: ${free / minute > 600 ? "hours" : `${(free / minute).toFixed(0)} minutes`}`, free > 10 * minute);
}

async function keepAwake() {
  try {
    wake = await navigator.wakeLock.request("screen");
    show("screen", "stays on", true);
  } catch {
    show("screen", "may go dark: set the phone's own screen time to never", false);
  }
}

// ---- record

function localTime(date) {
  const two = (value) => String(value).padStart(2, "0");
  return `${date.getFullYear()}-${two(date.getMonth() + 1)}-${two(date.getDate())} ${two(date.getHours())}:${two(date.getMinutes())}`;
}

async function begin() {
  phase = "recording";
  const id = [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  const now = Date.now();
  const row = { id, begun: now, local: localTime(new Date(now)), pieces: 0, seconds: 0, state: "recording" };
  collector.clear();
  marks = 0;
  begun = performance.now();
  const heard = sound.rate && !soundSaid ? { rate_hz: sound.rate, processing: sound.processing } : null;
  const about = { begun_epoch_s: now / 1000, begun_local: row.local, sound: heard, still_check: still };
  recording = row;
  navigator.locks?.request(lockOf(id), () => new Promise((resolve) => (release = resolve)));
  writing = write(about);
  await writing;
  if (!recording) return;
  show_live();
  clearInterval(ticking);
  ticking = setInterval(tick, 1000);
}

const lockOf = (id) => `vibeorder-recording-${id}`;

function show_live() {
  $("mark-count").textContent = "tap here, as often as it does";
  steps.restart();
  show_step();
  $("live-time").textContent = "0:00";
  live.showModal();
  $("mark").focus();
  document.title = "Recording";
}

async function write(about) {
  if (!recording || (!about && collector.empty)) return;
  try {
    const n = recording.pieces;
    recording.seconds = since(performance.now());
    const bytes = await collector.take(n, about);
    await store.keep({ ...recording }, n, bytes, await store.sha256(bytes));
    recording.pieces = n + 1;
  } catch (trouble) {
    const full = trouble?.name === "QuotaExceededError";
    await end(full ? "The phone's storage is full. What was recorded until now is kept." : `The phone could not keep more (${trouble?.message || trouble}). What was recorded until now is kept.`);
  }
}

function flush() {
  writing = writing.then(() => write());
  return writing;
}

function tick() {
  if (!recording) return;
  const seconds = Math.floor(since(performance.now()));
  $("live-time").textContent = `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
  flush();
  if (seconds >= MOST_S - 5) stop("Half an hour is the most that one recording takes; it was stopped and is kept.");
}

async function stop(sentence = "") {
  if (!recording || phase !== "recording") return;
  phase = "stopping";
  note("stopped");
  await flush();
  await end(sentence);
}

async function end(sentence) {
  if (!recording) return;
  const { id, pieces } = recording;
  recording = null;
  clearInterval(ticking);
  ticking = null;
  motion.stop();
  place.stop();
  sound.stop();
  wake?.release().catch(() => {});
  release();
  live.close();
  document.title = "Record · vibeorder";
  if (pieces) await store.change(id, { state: "stopped" }).catch(() => {});
  phase = "idle";
  fixed = null;
  $("ready").hidden = true;
  $("said").textContent = "";
  button("Get ready", $("agreed").checked);
  if (sentence) complain(sentence);
  await list();
  $("saved").scrollIntoView({ block: "start" });
  sendAll();
}

let marks = 0;
function mark(stamp) {
  if (!recording) return;
  collector.marks.push(since(stamp));
  marks += 1;
  $("mark-count").textContent = `marked ${marks} time${marks === 1 ? "" : "s"}`;
  $("live-said").textContent = `Marked ${marks}`;
  $("mark").classList.add("marked");
  setTimeout(() => $("mark").classList.remove("marked"), 400);
}

// ---- the drive card: the passenger reads a step out, and taps as it begins and as it ends

function show_step() {
  $("live-steps").hidden = !steps.any;
  if (!steps.any) return;
  $("step-words").textContent = steps.words;
  $("step").textContent = steps.button;
  $("step").hidden = steps.over;
  $("step").classList.toggle("running", steps.running);
}

function announce(stamp) {
  if (!recording || steps.over) return;
  collector.marks.push([since(stamp), steps.tap()]);
  $("live-said").textContent = steps.words;
  show_step();
}

function show_card() {
  $("card").hidden = !steps.any;
  $("card-steps").replaceChildren(...steps.names.map((words) => element("li", words)));
}

// Two taps, so that a sleeve does not end it.
function twice(element, words, sure, act) {
  let armed = null;
  element.addEventListener("click", () => {
    if (armed) {
      clearTimeout(armed);
      armed = null;
      element.textContent = words;
      act();
      return;
    }
    element.textContent = sure;
    armed = setTimeout(() => {
      armed = null;
      element.textContent = words;
    }, 4000);
  });
}

// ---- what is on the phone, and its way to the shop

function element(name, words, className = "") {
  const made = document.createElement(name);
  made.textContent = words;
  made.className = className;
  return made;
}

function link(words, href, className) {
  const made = element("a", words, className);
  made.href = href;
  return made;
}

const length = (row) => `${Math.floor(row.seconds / 60)}:${String(Math.floor(row.seconds % 60)).padStart(2, "0")}`;

async function list() {
  const rows = await store.all();
  const held = (await navigator.locks?.query?.().catch(() => null))?.held?.map((lock) => lock.name) || [];
  $("saved").hidden = !rows.length;
  $("saved-list").replaceChildren(...rows.filter((row) => row.id !== recording?.id).map((row) => line(row, held.includes(lockOf(row.id)))));
}

function line(row, elsewhere) {
  const made = element("li", "", "one-recording");
  made.dataset.id = row.id;
  const words = element("span", "", "line-words");
  words.append(element("strong", `${row.local}, ${length(row)} min`), document.createElement("br"), element("span", said(row, elsewhere), "state"));
  made.append(words);
  if (elsewhere) return made;
  if (row.state === "sent") {
    made.append(link("Find the part", row.next, "button main-button"), link("The file", row.file, "button"));
    made.append(away(row, "Off the list", "Sure?"));
    return made;
  }
  const bar = element("progress", "", "gauge");
  bar.max = 1;
  bar.value = 0;
  bar.hidden = true;
  bar.setAttribute("aria-label", `How much of ${row.local} is sent`);
  words.append(bar);
  const now = element("button", row.state === "recording" ? "Send what was saved" : "Send now", "button main-button");
  now.type = "button";
  now.addEventListener("click", async () => {
    await store.change(row.id, { state: "stopped", problem: "" });
    await list();
    sendAll();
  });
  made.append(now, away(row, "Throw away", "Throw it away?"));
  return made;
}

function said(row, elsewhere) {
  if (elsewhere) return "being recorded in another tab";
  if (row.state === "recording") return "was cut off; everything up to its last second is here";
  if (row.state === "sent") return "has arrived at the shop";
  return row.problem || "waits to be sent";
}

function away(row, words, sure) {
  const made = element("button", words, "button");
  made.type = "button";
  twice(made, words, sure, async () => {
    await store.drop(row.id);
    await list();
  });
  return made;
}

function tell(id, words, share) {
  const row = document.querySelector(`[data-id="${id}"]`);
  if (!row) return;
  const state = row.querySelector(".state");
  if (state.textContent !== words) state.textContent = words;
  const bar = row.querySelector("progress");
  if (!bar) return;
  bar.hidden = share === undefined;
  bar.value = share ?? 0;
}

let sending = false;
let waited = 0;
let retry = null;

// Whatever was stopped is sent by itself, the oldest first; one tab at a time.
async function sendAll() {
  if (sending || recording) return;
  sending = true;
  clearTimeout(retry);
  try {
    if (navigator.locks) await navigator.locks.request("vibeorder-sending", { ifAvailable: true }, (lock) => (lock ? sendRows() : null));
    else await sendRows();
  } finally {
    sending = false;
  }
}

async function sendRows() {
  const rows = (await store.all()).filter((row) => row.state === "stopped" && !row.problem).reverse();
  for (const row of rows) {
    try {
      tell(row.id, "being sent", 0);
      const made = await send(row, (there, all) => tell(row.id, `being sent: ${there} of ${all} s`, there / all));
      await store.change(row.id, { state: "sent", next: made.next, file: made.file, problem: "" });
      await store.dropPieces(row.id);
      waited = 0;
      await list();
    } catch (trouble) {
      if (trouble instanceof Away) {
        tell(row.id, `${trouble.message} The recording is kept here until it has arrived.`);
        if (trouble instanceof Locked) {
          document.querySelector(`[data-id="${row.id}"] .state`).append(" ", link("Give the code", "/access", "button"));
          return;
        }
        retry = setTimeout(sendAll, RETRY_MS[Math.min(waited++, RETRY_MS.length - 1)]);
        return;
      }
      await store.change(row.id, { problem: trouble.message });
      await list();
    }
  }
}

// ---- begin

function start() {
  if (!window.isSecureContext) {
    complain("Phones give out their sensors on the secure page only: open the https address that the shop's screen shows.");
    return;
  }
  $("agreed").addEventListener("change", () => {
    if (phase === "idle") button("Get ready", $("agreed").checked);
  });
  $("agreed").dispatchEvent(new Event("change")); // a page that was loaded again keeps its tick
  go.addEventListener("click", () => {
    if (phase === "idle") prepare();
    else if (phase === "again") check();
    else if (phase === "ready") begin();
  });
  $("anyway").addEventListener("click", () => {
    $("anyway-line").hidden = true;
    phase = "ready";
    begin();
  });
  $("mark").addEventListener("pointerdown", (event) => mark(event.timeStamp));
  $("mark").addEventListener("click", (event) => {
    if (event.detail === 0) mark(event.timeStamp); // from a keyboard
  });
  $("step").addEventListener("click", (event) => announce(event.timeStamp));
  addEventListener("hashchange", () => {
    if (recording) return;
    steps.take(cardOf(location.hash));
    show_card();
  });
  show_card();
  twice($("stop"), "Stop", "Tap again to stop", () => stop());
  live.addEventListener("cancel", (event) => event.preventDefault());
  live.addEventListener("close", () => {
    if (recording) live.showModal();
  });
  document.addEventListener("visibilitychange", () => {
    note(document.hidden ? "page hidden" : "page shown");
    if (recording) flush();
    if (!document.hidden && ["checking", "ready", "again", "recording"].includes(phase)) {
      keepAwake();
      sound.again();
    }
  });
  addEventListener("pagehide", () => recording && flush());
  addEventListener("online", () => sendAll());
  navigator.serviceWorker?.register("/record/offline.js", { scope: "/record" }).catch(() => {});
  list().then(sendAll, (trouble) => complain(`This browser cannot keep recordings (${trouble.message}); a private window may be why.`));
}

start();
