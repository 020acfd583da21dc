// The same bench with its controller elsewhere: a websocket brings the ticks, and takes those of a hand.
import { Bench } from "./bench.js";

const MOST_UNDERWAY_MS = 250; // a device that is slower than that loses time instead of lagging behind the hand
const TRIES = 5;

export class LiveBench extends Bench {
  constructor(image, names, { every }) {
    super(null, image, names);
    Object.assign(this, { every, watched: true, underway: 0, ended: "", said: "", connected: true, tells: true });
    this.take(image);
    this.begin();
    this.open();
  }

  start(image) {
    this.take(image);
    this.begin();
    return 0;
  }

  take(image) {
    super.take(image);
    this.stepUs = this.tickUs * (this.every ?? 1);
  }

  open(tries = 0) {
    this.socket = new WebSocket(`${location.href.replace(/^http/, "ws").replace(/[^/]*$/, "")}live`);
    this.socket.onmessage = (event) => this.hear(JSON.parse(event.data));
    this.socket.onopen = () => {
      this.connected = true;
      this.tries = 0;
    };
    this.socket.onclose = () => {
      this.connected = false;
      if (tries < TRIES) setTimeout(() => this.open(tries + 1), 400 * 2 ** tries);
    };
  }

  hear(message) {
    if (message.kind === "ticks") this.arrive(message);
    else if (message.kind === "said") this.said = message.text;
    else if (message.kind === "reload") location.reload();
    else if (message.kind === "ended") this.ended = message.text;
    else if (message.kind === "hello") {
      this.watched = !message.hand;
      this.underway = 0;
      this.begin();
    }
  }

  /** Loads the calibration's file anew, once somebody has said that the car is on stands. */
  load(onStands) {
    this.said = "";
    this.socket.send(JSON.stringify({ do: "load", on_stands: onStands }));
  }

  arrive({ inputs, outputs, due, events, lost, begins }) {
    const width = this.names.length;
    if (begins && this.watched) this.begin();
    this.tells = events !== null;
    this.underway -= due.length;
    let told = 0;
    if (lost) this.lostSome = true;
    this.advance(due.length, (i) => {
      this.fallen = events ? events.slice(told, (told += due[i])) : [];
      return [inputs.slice(5 * i, 5 * i + 5), outputs.slice(width * i, width * (i + 1))];
    });
  }

  apply(at, inputs, outputs) {
    super.apply(at, inputs, outputs);
    if (!this.watched) return;
    this.nose = Math.max(0, this.now.lift / 16);
    [, , this.rpm] = inputs;
    this.speed = inputs[1] / 10;
    this.armed = Boolean(inputs[3]);
  }

  turn() {
    for (const bits of this.fallen) this.fell(bits);
  }

  pass(ms) {
    if (this.watched || this.socket.readyState !== WebSocket.OPEN) return;
    this.left += (1000 * ms) / this.tickUs;
    const room = (1000 * MOST_UNDERWAY_MS) / this.tickUs - this.underway;
    const ticks = Math.floor(Math.min(this.left, Math.max(0, room)));
    this.left = Math.min(this.left - ticks, 1);
    if (ticks < 1) return;
    this.underway += ticks;
    const inputs = [];
    for (let i = 0; i < ticks; i++) inputs.push(...this.inputs());
    this.socket.send(JSON.stringify({ do: "ticks", inputs }));
  }
}
