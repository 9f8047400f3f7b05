// The phone's sensors, each handed on as it comes, with its own stamp in milliseconds of the page's steady clock.

const number = (value) => (typeof value === "number" && Number.isFinite(value) ? value : NaN);
const EARTH_M = 6371008.8; // mean radius, IUGG
const POOR_FIX_M = 50; // a position off by more is of radio masts, and its changes are no speed

// onRow(stamp, [x, y, z with gravity, x, y, z without, rotation about x, y, z])
export class Motion {
  constructor(onRow) {
    this.onRow = onRow;
    this.stamps = [];
    this.heard = (event) => this.take(event);
  }

  // Some phones ask their owner, and only at a tap.
  static async permission() {
    if (typeof DeviceMotionEvent === "undefined") return false;
    if (typeof DeviceMotionEvent.requestPermission !== "function") return true;
    return (await DeviceMotionEvent.requestPermission().catch(() => "denied")) === "granted";
  }

  start() {
    addEventListener("devicemotion", this.heard);
  }

  stop() {
    removeEventListener("devicemotion", this.heard);
  }

  take(event) {
    const total = event.accelerationIncludingGravity || {};
    const free = event.acceleration || {};
    const turn = event.rotationRate || {};
    const row = [total.x, total.y, total.z, free.x, free.y, free.z, turn.beta, turn.gamma, turn.alpha].map(number);
    if (row.slice(0, 6).every(Number.isNaN)) return; // a browser without a sensor sends one empty event
    this.stamps.push(event.timeStamp);
    if (this.stamps.length > 400) this.stamps.splice(0, 200);
    this.onRow(event.timeStamp, row);
  }

  // Samples a second over the last two seconds.
  rate(now) {
    const recent = this.stamps.filter((stamp) => stamp > now - 2000);
    return recent.length > 2 ? (1000 * (recent.length - 1)) / (recent.at(-1) - recent[0]) : 0;
  }
}

// onFix({stamp, arrived, speed, from, accuracy}); stamp is the position's own, Unix time in milliseconds
export class Place {
  constructor(onFix, onTrouble) {
    Object.assign(this, { onFix, onTrouble, before: null, watch: null });
  }

  start() {
    if (!("geolocation" in navigator)) return this.onTrouble("this browser tells no position");
    const wanted = { enableHighAccuracy: true, maximumAge: 0 };
    this.watch = navigator.geolocation.watchPosition((position) => this.take(position), (trouble) => this.failed(trouble), wanted);
  }

  stop() {
    if (this.watch !== null) navigator.geolocation.clearWatch(this.watch);
    this.watch = null;
  }

  failed(trouble) {
    if (trouble.code === trouble.PERMISSION_DENIED) this.onTrouble("not allowed");
    else this.onTrouble("no fix yet: look for open sky");
  }

  take(position) {
    const { latitude, longitude, accuracy, speed } = position.coords;
    const here = { stamp: position.timestamp, latitude, longitude, accuracy };
    const fix = { stamp: here.stamp, arrived: performance.now(), accuracy, speed: null, from: "gps" };
    if (typeof speed === "number" && speed >= 0) fix.speed = speed;
    else if (this.before) Object.assign(fix, between(this.before, here));
    const seconds = this.before ? (here.stamp - this.before.stamp) / 1000 : Infinity;
    if (seconds >= 0.5) this.before = here;
    this.onFix(fix);
  }
}

// Speed as way over time between two fixes; it belongs to the middle between them. The places themselves are not kept.
function between(before, here) {
  const seconds = (here.stamp - before.stamp) / 1000;
  if (seconds < 0.5 || seconds > 5 || Math.max(here.accuracy, before.accuracy) > POOR_FIX_M) return {};
  const rad = Math.PI / 180;
  const north = (here.latitude - before.latitude) * rad;
  const east = (here.longitude - before.longitude) * rad * Math.cos(((here.latitude + before.latitude) / 2) * rad);
  return { speed: (EARTH_M * Math.hypot(north, east)) / seconds, stamp: (here.stamp + before.stamp) / 2, from: "positions" };
}

// Fetched with the page: the recording may be begun where the network is away.
const worklet = fetch("/static/recorder_sound.js")
  .then((answer) => answer.blob())
  .then((blob) => URL.createObjectURL(blob))
  .catch(() => "/static/recorder_sound.js");

// onBlock(segment, frame, arrived, samples); what the browser does to speech is asked to be off, and what it says it did is kept
export class Sound {
  constructor(onBlock, onEvent) {
    Object.assign(this, { onBlock, onEvent, segment: 0, context: null, node: null, stream: null, source: null, loudest: 0 });
  }

  get rate() {
    return this.context ? this.context.sampleRate : null;
  }

  get processing() {
    const used = this.stream ? this.stream.getAudioTracks()[0].getSettings() : {};
    const names = ["echoCancellation", "noiseSuppression", "autoGainControl"];
    return Object.fromEntries(names.filter((name) => name in used).map((name) => [name, Boolean(used[name])]));
  }

  async start() {
    this.context = new AudioContext({ latencyHint: "playback" });
    await this.context.audioWorklet.addModule(await worklet);
    this.node = new AudioWorkletNode(this.context, "recorder-sound", { channelCount: 1, channelCountMode: "explicit" });
    this.node.port.onmessage = ({ data }) => {
      this.loudest = Math.max(data.loudest, this.loudest * 0.8);
      this.onBlock(this.segment, data.frame, performance.now(), data.samples);
    };
    this.node.connect(this.context.destination); // it gives out nothing, but a node that leads nowhere may not run
    this.context.onstatechange = () => this.changed();
    await this.listen();
  }

  async listen() {
    const audio = { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1 };
    this.stream = await navigator.mediaDevices.getUserMedia({ audio });
    const track = this.stream.getAudioTracks()[0];
    track.onended = () => this.onEvent("sound taken away");
    this.source?.disconnect();
    this.source = this.context.createMediaStreamSource(this.stream);
    this.source.connect(this.node);
    await this.context.resume();
  }

  changed() {
    if (this.context.state === "running") this.segment += 1;
    this.onEvent(`sound ${this.context.state}`);
  }

  // After a call or a hidden page: go on where it can.
  async again() {
    if (!this.context || this.context.state === "closed") return;
    if (this.stream?.getAudioTracks()[0].readyState === "ended") {
      this.segment += 1;
      await this.listen().catch(() => this.onEvent("sound not given back"));
    } else if (this.context.state !== "running") await this.context.resume().catch(() => {});
  }

  stop() {
    if (this.context) this.context.onstatechange = null;
    this.stream?.getTracks().forEach((track) => track.stop());
    this.context?.close().catch(() => {});
    Object.assign(this, { context: null, stream: null, source: null, node: null });
  }

  // Loudest sample of late against full scale, in dB.
  level() {
    return this.loudest > 0 ? 20 * Math.log10(this.loudest) : -Infinity;
  }
}

// Three seconds of motion: does it lie still, or does it sway as in a hand?
export function stillness(rows) {
  const axes = [0, 1, 2].map((axis) => rows.map((row) => (Number.isNaN(row.values[axis]) ? row.values[axis + 3] : row.values[axis])));
  const mean = (values) => values.reduce((sum, value) => sum + value, 0) / values.length;
  const shake = Math.sqrt(axes.reduce((sum, values) => sum + mean(values.map((value) => (value - mean(values)) ** 2)), 0));
  const begin = rows[0].stamp;
  const means = [0, 1, 2, 3, 4, 5].map((part) => {
    const within = rows.map((row, i) => i).filter((i) => Math.floor((rows[i].stamp - begin) / 500) === part);
    return within.length ? axes.map((values) => mean(within.map((i) => values[i]))) : null;
  });
  const known = means.filter(Boolean);
  const middle = [0, 1, 2].map((axis) => mean(known.map((one) => one[axis])));
  const sway = Math.max(...known.map((one) => Math.hypot(...one.map((value, axis) => value - middle[axis]))));
  return { shake_mps2: shake, sway_mps2: sway };
}
