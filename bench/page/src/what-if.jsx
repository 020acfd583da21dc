// What the controller would have done with other settings: it runs in the page, over the run's own inputs.
import { useState } from "preact/hooks";
import { NONE, inflate, unpack } from "./columns.js";
import { Core, Image } from "./core.js";
import { KNOBS, moved, placesOf } from "./knobs.js";
import { Slider } from "./slider.jsx";

const CEILINGS = ["retard_from", "reduction_from", "full"];
const MEASURE = "change to picture";
const STEP = "what if: run";
const DRAW = "what if: picture";
let core = null; // the module's bytes, of which a page has one copy

export class WhatIf {
  /** `spec` as bench.document writes it; `strip` is the figure that follows. */
  static async open(spec, strip) {
    core ??= inflate(spec.core);
    const images = await inflate(spec.images);
    await Promise.all(spec.columns.map(unpack));
    return new WhatIf(spec, strip, await Core.open(await core), images);
  }

  constructor(spec, strip, core, images) {
    Object.assign(this, { spec, strip, core, refused: "", text: "", waiting: false });
    const size = images.length / spec.greatest.length;
    this.images = spec.greatest.map((_, i) => new Image(images.subarray(i * size, (i + 1) * size), spec.fields));
    this.base = this.images[0];
    this.places = placesOf(this.base);
    this.n = spec.columns[0].values.length;
    this.width = spec.columns.length + 1; // the tick's number comes first
    this.inputs = new Int32Array(this.n * this.width);
    for (let i = 0; i < this.n; i++) {
      this.inputs[i * this.width] = i & 0xffff;
      spec.columns.forEach(({ values }, k) => { this.inputs[i * this.width + k + 1] = values[i]; }); // prettier-ignore
    }
    const { columns } = strip.series[spec.series];
    this.columns = columns;
    this.recorded = Object.fromEntries(Object.entries(columns).map(([name, { values, gaps }]) => [name, { values, gaps }]));
    this.outputs = Object.fromEntries(spec.outputs.map((name) => [name, new Int32Array(this.n)]));
    this.differs = spec.differs ? strip.series.A.columns[spec.differs] : null;
    if (this.differs) this.differs.recorded = this.differs.values;
    this.events = strip.spec.panels.find(({ kind }) => kind === "events");
    this.bits = this.events && new Int32Array(this.events.off.values.length);
    this.shown = new Map(); // column -> its numbers as they were last drawn
    this.step(this.base);
    this.asRun = this.totals();
    this.now = this.asRun;
    // What runs here is what ran there, or nothing may be moved.
    this.equal = spec.outputs.every((name) => !columns[name] || columns[name].values.every((v, i) => v === this.outputs[name][i]));
  }

  /** Runs from an image as after power-up, over all ticks: 0, or why the core refuses it. */
  step(image) {
    const { core, inputs, width, events, bits, spec } = this;
    const verdict = core.load(image.sealed());
    if (verdict) return verdict;
    const kept = spec.outputs.map((name, place) => [place, this.outputs[name]]);
    const order = events?.names.map(Number);
    let event = 0;
    for (let i = 0; i < this.n; i++) {
      const at = i * width;
      for (let k = 0; k < width; k++) core.inputs[k] = inputs[at + k];
      core.program.step(1);
      for (const [place, values] of kept) values[i] = core.outputs[place];
      while (events && event < bits.length && events.tick.values[event] === i) {
        bits[event] = core.event(order[events.place.values[event]]);
        event++;
      }
    }
    return 0;
  }

  /** What is taken in the runs: the same sums as the report's. */
  totals() {
    const { reduction, retard, launched } = this.outputs;
    let [most, mostRetard, sum, count, on] = [0, 0, 0, 0, false];
    let back = null;
    for (let i = 0; i < this.n; i++) {
      const taking = reduction[i] > 0 || retard[i] > 0;
      if (taking && !on) count++;
      if (!taking && on) back = i;
      on = taking;
      most = Math.max(most, reduction[i]);
      mostRetard = Math.max(mostRetard, retard[i]);
      if (launched[i]) sum += reduction[i];
    }
    return { most: most / 10, retard: mostRetard / 10, taken: (sum * this.spec.tick_s) / 1000, count, back: on ? Infinity : back };
  }

  /** At once, and after that once a frame: what is moved meanwhile is the newest then. */
  move(name, value) {
    this.asked = { ...this.places, [name]: value };
    if (this.waiting) return;
    this.waiting = true;
    this.follow();
  }

  follow() {
    const { asked } = this;
    const start = performance.now();
    this.run(asked);
    requestAnimationFrame(() => {
      if (this.asked !== asked) this.follow();
      else this.waiting = false;
      // a task posted from the frame runs after the frame was painted
      const painted = new MessageChannel();
      painted.port1.onmessage = () => performance.measure(MEASURE, { start, end: performance.now() });
      painted.port2.postMessage(0);
    });
  }

  back() {
    this.run(placesOf(this.base));
  }

  run(places) {
    const at = placesOf(this.base);
    const number = places.greatest === at.greatest ? 0 : this.spec.greatest.indexOf(places.greatest);
    if (number < 0) return;
    const start = this.images[number];
    const { image, keys } = moved(start, { ...places, greatest: placesOf(start).greatest });
    performance.mark(STEP);
    const verdict = this.step(image);
    performance.measure(STEP, STEP);
    performance.mark(DRAW);
    if (verdict) {
      this.refused = `The controller refuses these settings: ${this.spec.refusals[verdict]}.`;
    } else {
      Object.assign(this, { places, refused: "", now: this.totals(), text: this.written(places, at) });
      this.show(places.ceilings, keys.length > 0 || number > 0);
    }
    this.changed?.();
    performance.measure(DRAW, DRAW);
  }

  /** Lays what was made into the figure, or what was recorded. */
  show(shift, other) {
    for (const [name, column] of Object.entries(this.columns)) {
      const { values, gaps } = this.recorded[name];
      Object.assign(column, { values, gaps });
      if (other && this.outputs[name]) column.values = this.outputs[name];
      else if (other && name === "taken") Object.assign(column, { values: new Int32Array(this.n).fill(NONE), gaps: true });
      else if (shift && CEILINGS.includes(name)) column.values = values.map((v) => (v === NONE ? v : v + shift * column.per));
    }
    if (this.events) {
      this.events.off.recorded ??= this.events.off.values;
      this.events.off.values = other ? this.bits : this.events.off.recorded;
    }
    if (this.differs) {
      const { reduction, retard } = this.strip.series.A.columns;
      const at = (i) => +(reduction.values[i] !== this.outputs.reduction[i] || retard.values[i] !== this.outputs.retard[i]);
      this.differs.values = other ? Uint8Array.from(this.differs.recorded, (_, i) => at(i)) : this.differs.recorded;
    }
    const columns = [...Object.values(this.columns), ...(this.differs ? [this.differs] : [])];
    const touched = new Set(columns.filter((column) => this.isNew(column)));
    for (const column of touched) delete column.blocks;
    this.strip.update(this.strip.spec, touched, this.events ? this.isNew(this.events.off) : false);
  }

  /** Whether a column has other numbers than were last drawn of it. */
  isNew(column) {
    const { values } = column;
    const before = this.shown.get(column);
    let i = before ? 0 : -1;
    if (before) while (i < values.length && values[i] === before[i]) i++;
    if (i === values.length) return false;
    if (before) before.set(values);
    else this.shown.set(column, Int32Array.from(values));
    return true;
  }

  /** The changed keys, as they would stand in the calibration's file. */
  written(places, at) {
    const found = {};
    for (const { name, section, key } of KNOBS) {
      if (places[name] === at[name]) continue;
      const { lifts } = this.spec;
      const lines = name !== "ceilings" ? [key(places[name])]
        : Object.entries(lifts.keys).map(([one, values]) => `${one} = [${values.map((v) => +(v + places[name]).toFixed(3)).join(", ")}]`); // prettier-ignore
      (found[name === "ceilings" ? lifts.section : section] ??= []).push(...lines);
    }
    return Object.entries(found).map(([section, lines]) => `[${section}]\n${lines.join("\n")}\n`).join("\n");
  }
}

const ROWS = [
  ["most", "greatest reduction", (v) => `${v.toFixed(1)} %`],
  ["taken", "torque-time taken", (v) => `${v.toFixed(3)} s`],
  ["count", "interventions", (v) => `${v}`],
  ["retard", "greatest retard", (v) => `${v.toFixed(1)}°`],
];

/** What matters most in a line, which stays in sight on a phone. */
function brief(was, is, since) {
  const pair = (a, b) => (a === b ? `still ${b}` : `${a} → ${b}`);
  return `Reduction ${pair(`${was.most.toFixed(1)} %`, `${is.most.toFixed(1)} %`)}, torque-time ${pair(`${was.taken.toFixed(3)} s`, `${is.taken.toFixed(3)} s`)}, given back ${pair(since(was.back), since(is.back))}.`;
}

export function WhatIfView({ it }) {
  const [, again] = useState(0);
  it.changed = () => again((n) => n + 1);
  if (!it.equal) return <p class="alarm">This browser does not step the controller as the report did: nothing can be moved here.</p>;
  const knobs = KNOBS.filter(({ name }) => name !== "greatest" || it.spec.greatest.length > 1);
  const since = (tick) => {
    if (tick === null) return "nothing taken";
    return tick === Infinity ? "not yet" : `${((tick - it.spec.launch) * it.spec.tick_s).toFixed(3)} s`;
  };
  const rows = [...ROWS, ["back", "all given back, since the launch", since]];
  return (
    <>
      <p class="note">The controller runs here, over the recorded inputs. The lift stays as it was recorded: with less torque taken the car would have risen higher, with more less high.</p>
      <div class="knobs">
        {knobs.map((knob) => {
          const steps = knob.name === "greatest" ? { from: it.spec.least, to: it.spec.most, step: it.spec.step } : {};
          return <Slider key={knob.name} {...knob} {...steps} value={it.places[knob.name]} move={(v) => it.move(knob.name, v)} />;
        })}
      </div>
      <p role="status" class={it.refused ? "alarm" : "now"}>{it.refused || (it.text ? brief(it.asRun, it.now, since) : "As run. The pictures below follow what is moved.")}</p>
      <table>
        <thead><tr><th scope="col">all runs</th><th scope="col" class="right">as run</th><th scope="col" class="right">now</th></tr></thead>
        <tbody>{rows.map(([key, title, write]) => <tr key={key} data-total={key}><th scope="row">{title}</th><td class="right">{write(it.asRun[key])}</td><td class="right">{write(it.now[key])}</td></tr>)}</tbody>
      </table>
      {it.text && (
        <>
          <div class="buttons">
            <button type="button" onClick={() => it.back()}>As run</button>
            <button type="button" onClick={() => navigator.clipboard?.writeText(it.text).catch(() => {})}>Copy the changed keys</button>
          </div>
          <pre tabindex="0" aria-label="The changed keys">{it.text}</pre>
        </>
      )}
    </>
  ); // prettier-ignore
}
