// A car without a car: a nose that follows a hand, its sensor, speed and engine, and the controller stepped behind them.
import { NONE, clamp } from "../columns.js";

const NOSE_MM_PER_MS = 1.2; // a nose is no quicker, however quick the hand
const LAG_MS = 30; // it follows the hand with this lag
const WANDER_MM = 0.8; // a sensor over a real track is never quite still
const SWAY_MM = 2; // nor is the nose of a car that runs
const SWAY_MS = 400;
const UP_KMH_PER_MS = 0.1;
const DOWN_KMH_PER_MS = 0.05;
const SHOWN_S = 5; // in the strip
const KEPT_S = 120; // of a session
const SPARE_MS = 200; // before the launch
const TWO_TURNS = 120e6; // rpm * us: one cycle of the engine
export const INPUTS = ["counts", "speed", "engine", "armed", "launch"];
export const COLUMNS = ["lift", "retard_from", "reduction_from", "full", "demand", "reduction", "retard"];

export class Bench {
  /** `core` runs from `image`, which it takes; `names` are those of the core's outputs. */
  constructor(core, image, names) {
    Object.assign(this, { core, names, hand: 0, wanted: 0, rpm: 1500, unplugged: false, heard: () => {} });
    this.place = Object.fromEntries(names.map((name, i) => [name, i]));
    this.start(image);
  }

  /** Starts anew, as after power-up, with an image: 0, or why the core refuses it; then it goes on with the old one. */
  start(image) {
    const verdict = this.core.load(image.sealed());
    if (verdict) this.core.load(this.image.sealed());
    else this.take(image);
    this.begin();
    return verdict;
  }

  take(image) {
    this.image = image;
    this.tickUs = image.get("tick_us");
    this.stepUs = this.tickUs; // from shown tick to shown tick
    this.gain = image.get("gain_q12") / 4096;
    this.rest = image.get("rest") / 16;
    const points = image.get("sensor_points");
    this.curve = image.row("sensor_height", points).map((height, i) => [height / 16, image.get("sensor_counts", i)]);
    this.curve.sort(([a], [b]) => a - b);
    this.farLift = (this.curve[points - 1][0] - this.rest) * this.gain;
    this.mostLift = this.farLift + 60;
    this.order = image.row("firing_order", image.get("cylinders"));
    const samples = Math.max(image.get("heal_samples"), Math.min(image.get("learn_window"), 1000));
    this.launchAt = Math.ceil(samples * image.get("sample_ticks") + (1000 * SPARE_MS) / this.tickUs);
    this.lost = image.get("window_low") > 0 ? 0 : image.get("adc_max");
    const ms = this.tickUs / 1000;
    const believed = (image.get("allowance_rate") / 16 / (image.get("sample_ticks") * ms)) * this.gain;
    this.quickest = Math.min(NOSE_MM_PER_MS, 0.8 * believed) * ms; // mm a tick
  }

  begin() {
    Object.assign(this, { tick: 0, made: 0, nose: 0, speed: 0, armed: true, launch: false, turned: 0, next: 0, random: 1, left: 0 });
    const shown = Math.round((SHOWN_S * 1e6) / this.stepUs);
    this.recent = Object.fromEntries(COLUMNS.map((name) => [name, new Int32Array(shown).fill(NONE)]));
    this.events = []; // { tick, place, bits } of the last seconds
    this.cylinders = this.order.map(() => ({ bits: 0, skipped: 0, all: 0 }));
    this.kept = { n: 0, inputs: [], outputs: [] };
    this.now = Object.fromEntries(this.names.map((name) => [name, 0]));
    this.ceilings = this.image.ceilings((this.seen = 0));
  }

  /** Lets so many milliseconds pass. */
  pass(ms) {
    this.left += (1000 * ms) / this.tickUs;
    const ticks = Math.floor(this.left);
    if (ticks < 1) return;
    this.left -= ticks;
    this.advance(ticks, () => {
      const inputs = this.inputs();
      const [counts, speed, engine, armed, launch] = inputs;
      this.core.step([this.tick & 0xffff, counts, speed, 1, engine, 0, armed, launch, 0, 0, 0]);
      return [inputs, this.core.outputs];
    });
  }

  /** Takes in so many ticks; `next` gives the inputs and outputs of each. */
  advance(ticks, next) {
    const size = this.recent.lift.length;
    const made = Math.min(ticks, size);
    for (const column of Object.values(this.recent)) column.copyWithin(0, made);
    for (let i = 0; i < ticks; i++) this.apply(size - made + Math.max(0, i - (ticks - made)), ...next(i));
    const old = this.tick - size;
    let gone = 0;
    while (gone < this.events.length && this.events[gone].tick < old) gone++;
    this.events.splice(0, gone);
  }

  /** A number from -1 to 1, the same ones in every session. */
  chance() {
    this.random = (Math.imul(this.random, 1664525) + 1013904223) >>> 0;
    return this.random / 2 ** 31 - 1;
  }

  counts() {
    const sway = this.speed > 0 ? SWAY_MM * Math.sin((2 * Math.PI * this.made * this.tickUs) / 1000 / SWAY_MS) : 0;
    const height = this.rest + (this.nose + sway) / this.gain + WANDER_MM * this.chance();
    const { curve } = this;
    const last = curve.length - 1;
    if (this.unplugged || height > curve[last][0]) return this.lost;
    let i = 1;
    while (i < last && curve[i][0] < height) i++;
    const [[low, from], [high, to]] = [curve[i - 1], curve[i]];
    return Math.round(from + ((clamp(height, low, high) - low) / (high - low)) * (to - from));
  }

  /** The inputs of the next tick: what the hand, the sliders and the switches make of it. */
  inputs() {
    const ms = this.tickUs / 1000;
    const way = clamp(this.hand, 0, this.mostLift) - this.nose;
    this.nose += clamp((way * ms) / LAG_MS, -this.quickest, this.quickest);
    const wanted = this.now.launched ? this.wanted : 0;
    this.speed = clamp(wanted, this.speed - DOWN_KMH_PER_MS * ms, this.speed + UP_KMH_PER_MS * ms);
    if (this.made === this.launchAt) this.launch = true;
    const inputs = [this.counts(), Math.round(10 * this.speed), this.rpm, this.armed ? 1 : 0, this.armed && this.launch ? 1 : 0];
    this.made++;
    return inputs;
  }

  /** A tick that was made, at a place of the strip. */
  apply(at, inputs, outputs) {
    const { now, place } = this;
    for (const name of this.names) now[name] = outputs[place[name]];
    if (now.progress !== this.seen) this.ceilings = this.image.ceilings((this.seen = now.progress));
    this.write(at);
    this.turn(inputs[2]);
    this.keep(inputs);
    this.tick++;
  }

  write(at) {
    const { recent, now, ceilings } = this;
    recent.lift[at] = now.lift;
    recent.retard_from[at] = ceilings.retard ?? NONE;
    recent.reduction_from[at] = ceilings.reduction ?? NONE;
    recent.full[at] = ceilings.full ?? NONE;
    recent.demand[at] = now.demand;
    recent.reduction[at] = now.reduction;
    recent.retard[at] = now.retard;
  }

  /** The cylinder events that fall due in a tick, in firing order. */
  turn(rpm) {
    this.turned += rpm * this.order.length * this.tickUs;
    while (this.turned >= TWO_TURNS) {
      this.turned -= TWO_TURNS;
      this.fell(this.core.event(this.order[this.next]));
    }
  }

  /** An event of the next cylinder in firing order. */
  fell(bits) {
    const event = { tick: this.tick, place: this.next, bits };
    this.events.push(event);
    const its = this.cylinders[this.next];
    its.bits = bits;
    its.all++;
    if (bits) its.skipped++;
    this.heard(event);
    this.next = this.next + 1 < this.order.length ? this.next + 1 : 0;
  }

  /** The session since the controller started, for a file and for who checks it. */
  keep(inputs) {
    if (this.full) return;
    this.kept.n++;
    this.kept.inputs.push(...inputs);
    for (const name of this.names) this.kept.outputs.push(this.now[name]);
  }
  get full() {
    return this.kept.n * this.stepUs >= KEPT_S * 1e6;
  }

  /** The session as a trace that `liftlatch replay` reads. */
  csv() {
    const { kept: { n, inputs }, stepUs } = this; // prettier-ignore
    const lines = ["Time,Nose height,Speed,Engine speed,Armed,Launch", "s,count,km/h,rpm,,"];
    for (let i = 0; i < n; i++) {
      const [counts, speed, engine, armed, launch] = inputs.slice(5 * i, 5 * i + 5);
      lines.push(`${((i * stepUs) / 1e6).toFixed(4)},${counts},${(speed / 10).toFixed(1)},${engine},${armed},${launch}`);
    }
    return `${lines.join("\n")}\n`;
  }
}

/** What the last seconds look like, as the strip draws it. */
export function stripOf(bench) {
  const { recent, stepUs, tick, order, events } = bench;
  const step = stepUs / 1e6;
  const size = recent.lift.length;
  const units = { demand: ["%", 10], reduction: ["%", 10], retard: ["°", 10] };
  const column = (name) => {
    const [unit, per] = units[name] ?? ["mm", 16];
    return { values: recent[name], per, unit, decimals: per === 16 ? 0 : 1, words: {}, gaps: true };
  };
  const line = (name, label, look, scaled = true) => ({ series: "run", column: name, label, look, scaled, stepped: true });
  const panel = (title, unit, height, least_top, lines) => ({ kind: "panel", title, unit, height, lines, levels: [], shades: [], least_top, bottom: 0 });
  const of = (values) => ({ values, n: values.length });
  return {
    series: { run: { first: -size * step, step, along: null, columns: Object.fromEntries(COLUMNS.map((name) => [name, column(name)])) } },
    view: [-SHOWN_S, 0], zeros: [], cursor: null, axis: "s", axis_label: "seconds ago", decimals: 2,
    panels: [
      panel("Lift", "mm", 170, bench.farLift, [
        line("retard_from", "retard begins", "limit-dotted", false), line("reduction_from", "cut begins", "limit", false),
        line("full", "cut is full", "limit-dashed", false), line("lift", "lift", "main"),
      ]),
      panel("Cut", "% of the cylinder events", 110, 100, [line("reduction", "taken", "fill"), line("demand", "asked for now", "second")]),
      panel("Retard", "degrees of crank", 80, 10, [line("retard", "taken", "main")]),
      {
        kind: "events", title: "Cylinder events", names: order.map(String), first: -size * step, step,
        tick: of(events.map((one) => one.tick - tick + size)), place: of(events.map((one) => one.place)), off: of(events.map((one) => one.bits)),
      },
    ],
  }; // prettier-ignore
}

