// The stand by hand: a nose to lift, and the controller's answer at once.
import { render } from "preact";
import { useReducer, useState } from "preact/hooks";
import { forgetColours } from "../looks.jsx";
import { plots, redraw } from "../plot.js";
import { Panels, Strip } from "../strip.jsx";
import "../strip.css";
import "../report.css";
import { Bench, stripOf } from "./bench.js";
import { Core, Image, bytesOf } from "../core.js";
import { Drawing } from "./drawing.jsx";
import { LiveBench } from "./live.js";
import { KNOBS, moved, placesOf } from "../knobs.js";
import { Slider } from "../slider.jsx";
import { Sound } from "./sound.js";
import "./stand.css";

const LONGEST_MS = 250; // a page that slept goes on from where it was
const STRIP_MS = 90; // from picture to picture of the strip
const root = document.documentElement;
const spec = JSON.parse(document.getElementById("spec").textContent);
const told = (bits, value) => (value & bits) === bits;

/** What the controller says of its sensor, in words, and whether it is well. */
function sensorWords(faults) {
  for (const [bit, words] of spec.sensor) if (told(bit, faults)) return [words, false];
  return ["healthy", true];
}

function runWords({ armed, now }) {
  if (now.launched) return `launched ${(now.elapsed_ms / 1000).toFixed(1)} s ago`;
  return armed ? "armed, not launched" : "not armed";
}

function Figure({ name, title, value, note, children, tone }) {
  return (
    <div class={tone} data-figure={name}>
      <dt>{title}</dt>
      <dd><b>{value}</b>{note && <span>{note}</span>}{children}</dd>
    </div>
  ); // prettier-ignore
}

function Figures({ bench }) {
  const { now, ceilings, tickUs } = bench;
  const left = (now.hold_left * tickUs) / 1000;
  const whole = (bench.image.get("hold_ticks") * tickUs) / 1000;
  const [sensor, well] = sensorWords(now.faults);
  const mm = (v) => (v === null ? "no limit" : `${Math.round(v / 16)} mm`);
  return (
    <dl class="figures">
      <Figure name="lift" title="Lift now" value={mm(now.lift)} note={now.entry === now.lift ? "" : `${mm(now.entry)} with look-ahead`} />
      <Figure name="may" title="May go to" value={mm(ceilings.reduction)} note={`cut is full at ${mm(ceilings.full)}`} />
      <Figure name="cut" title="Cut" value={`${(now.reduction / 10).toFixed(1)} %`} note={now.reduction ? `because: ${spec.reasons[now.reason]}` : "nothing taken"} tone={now.reduction ? "taking" : ""} />
      <Figure name="retard" title="Retard" value={`${(now.retard / 10).toFixed(1)}°`} note={`asked now: ${(now.retard_demand / 10).toFixed(1)}°`} tone={now.retard ? "taking" : ""} />
      <Figure name="latched" title="Latched" value={`${(now.latched / 10).toFixed(1)} %`} note={spec.states[now.state]} />
      <Figure name="left" title="Hold left" value={`${Math.round(left)} ms`}><meter min="0" max={whole || 1} value={left} aria-label="Hold left" /></Figure>
      <Figure name="sensor" title="Sensor" value={sensor} tone={well ? "" : "ill"} />
      <Figure name="run" title="Run" value={runWords(bench)} note={`${Math.round(bench.speed)} km/h`} />
    </dl>
  ); // prettier-ignore
}

function Cylinders({ bench }) {
  return (
    <ul class="cylinders" aria-label="The last event of each cylinder, in firing order">
      {bench.cylinders.map(({ bits, skipped, all }, i) => (
        <li key={i} class={bits ? "skipped" : "fired"}>
          <b>{bench.order[i]}{bits ? " ✕" : ""}</b><span>{bits ? "skipped" : all ? "fired" : "–"}</span><small>{`${skipped} of ${all}`}</small>
        </li>
      ))}
    </ul>
  ); // prettier-ignore
}

/** Two deliberate steps: on stands, then load. */
function Loading({ bench }) {
  const [onStands, say] = useState(false);
  const load = () => {
    say(false);
    bench.load(true);
  };
  return (
    <section aria-labelledby="load-title">
      <h2 id="load-title">Load the calibration</h2>
      <p class="note">Change {spec.live.file} in an editor or on the desk and save it; here it is read again and loaded. What is loaded acts on the next run.</p>
      <p><label><input type="checkbox" checked={onStands} onChange={(event) => say(event.currentTarget.checked)} /> The car is on stands, the engine is off, it is not armed.</label></p>
      <button type="button" disabled={!onStands} onClick={load}>Load</button>
      <p role="status" class={bench.said ? "alarm" : "note"}>{bench.said}</p>
    </section>
  ); // prettier-ignore
}

class Stand {
  constructor(core) {
    this.base = new Image(bytesOf(spec.image), spec.fields);
    this.places = placesOf(this.base);
    this.keys = [];
    this.refused = "";
    this.paused = false;
    this.sound = new Sound();
    this.live = Boolean(spec.live);
    this.bench = this.live ? new LiveBench(this.base, spec.outputs, spec.live) : new Bench(core, this.base, spec.outputs);
    this.bench.heard = ({ tick, bits }) => !bits && this.sound.fire(((this.ending - tick) * this.bench.stepUs) / 1e6);
    this.strip = new Strip(stripOf(this.bench));
    this.drawn = 0;
  }

  /** Moves a knob: the controller starts anew with the changed image, or says why it will not. */
  turn(name, value) {
    const places = { ...this.places, [name]: value };
    const { image, keys } = moved(this.base, places);
    const verdict = this.bench.start(image);
    this.paused = false;
    if (verdict) this.refused = `The controller refuses this calibration: ${spec.refusals[verdict]}. It goes on with the one before.`;
    else Object.assign(this, { places, keys, refused: "" });
    this.changed?.();
  }

  undo() {
    this.bench.start(this.base);
    Object.assign(this, { places: placesOf(this.base), keys: [], refused: "" });
    this.changed();
  }

  arm() {
    this.bench.armed = !this.bench.armed;
    this.bench.launch = false;
  }

  save() {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([this.bench.csv()], { type: "text/csv" }));
    link.download = "stand-session.csv";
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
  }

  frame(at) {
    const ms = Math.min(LONGEST_MS, at - (this.last ?? at));
    this.last = at;
    if (!this.paused) {
      this.ending = this.bench.tick + (1000 * ms) / this.bench.stepUs;
      this.bench.pass(ms);
      this.changed();
      if (at - this.drawn > STRIP_MS) {
        this.drawn = at;
        this.strip.update(stripOf(this.bench));
      }
    }
    requestAnimationFrame((next) => this.frame(next));
  }
}

function Page({ stand }) {
  const [, again] = useReducer((n) => n + 1, 0);
  stand.changed = again;
  const { bench, sound } = stand;
  const fromSpeed = !bench.image.get("progress_axis_kind");
  const toggle = (what) => () => {
    what();
    again();
  };
  const trouble = !stand.live ? "" : bench.ended || (bench.connected ? "" : "No connection to the program: what stands here is old.");
  return (
    <>
      {stand.live && <p role="status" class={trouble ? "alarm" : "note"}>{trouble || (bench.watched ? "Watching." : "The nose is yours.")}{bench.lostSome ? " Some ticks were lost on the way." : ""}</p>}
      <div class="first">
        <section aria-label="The car">
          <Drawing bench={bench} changed={again} />
          <div class="switches">
            {!bench.watched && <button type="button" aria-pressed={bench.armed} onClick={toggle(() => stand.arm())}>Armed</button>}
            {!bench.watched && <button type="button" disabled={!bench.armed || bench.now.launched > 0} onClick={toggle(() => { bench.launch = true; })}>Launch</button>}
            {!bench.watched && <button type="button" aria-pressed={bench.unplugged} onClick={toggle(() => { bench.unplugged = !bench.unplugged; })}>Sensor unplugged</button>}
            <button type="button" aria-pressed={sound.on} onClick={toggle(() => sound.turn(!sound.on))}>Sound</button>
            <button type="button" aria-pressed={stand.paused} onClick={toggle(() => { stand.paused = !stand.paused; })}>Pause</button>
          </div>
          {!bench.watched && <Slider name="speed" label="Speed" unit="km/h" from={0} to={300} step={5} value={bench.wanted} move={(v) => { bench.wanted = Math.max(0, Math.min(v, 2000)); again(); }} />}
          {!fromSpeed && !bench.watched && <p class="note">This calibration goes by the time since launch: disarm, arm and launch to begin anew.</p>}
          {!bench.watched && <Slider name="engine" label="Engine" unit="rpm" from={300} to={9000} step={100} value={bench.rpm} move={(v) => { bench.rpm = Math.max(0, Math.min(Math.round(v), 32767)); again(); }} />}
        </section>
        <section aria-label="What the controller does">
          <Figures bench={bench} />
          {bench.tells === false ? <p class="note">A stream tells no cylinder events.</p> : <Cylinders bench={bench} />}
        </section>
      </div>
      <section aria-labelledby="strip-title">
        <h2 id="strip-title">The last five seconds</h2>
        <div class="plots" tabindex="0" role="group" aria-label="The last five seconds. Pause, then arrow keys move the cursor." onKeyDown={(event) => stand.strip.key(event)}>
          <Panels strip={stand.strip} />
        </div>
        <div class="switches">
          <button type="button" id="save" onClick={() => stand.save()}>Save this session</button>
          <p class="note">{`${((bench.kept.n * bench.stepUs) / 1e6).toFixed(0)} s since the controller started${bench.full ? ": full, so that no more is kept" : ""}. "liftlatch replay" reads it${stand.keys.length ? `; change in its calibration: ${stand.keys.join(", ")}` : ""}.`}</p>
        </div>
      </section>
      {spec.live?.loads && <Loading bench={bench} />}
      {!stand.live && <section aria-labelledby="knobs-title">
        <h2 id="knobs-title">Move its settings</h2>
        <p class="note">Each change loads the calibration anew: the controller starts as after power-up, and launches by itself a moment later.</p>
        <div class="knobs">{KNOBS.map((knob) => <Slider key={knob.name} {...knob} value={stand.places[knob.name]} move={(v) => stand.turn(knob.name, v)} />)}</div>
        <p role="status" class={stand.refused ? "alarm" : "note"}>{stand.refused || (stand.keys.length ? `Moved: ${stand.keys.join(", ")}.` : "As in the file.")}</p>
        {stand.keys.length > 0 && <button type="button" onClick={() => stand.undo()}>As in the file</button>}
      </section>}
    </>
  ); // prettier-ignore
}

async function main() {
  const wide = matchMedia("(prefers-color-scheme: dark)");
  const button = document.getElementById("scheme");
  let asked = null;
  const setScheme = () => {
    const dark = asked ? asked === "dark" : wide.matches;
    root.dataset.scheme = dark ? "dark" : "light";
    button.textContent = dark ? "Light" : "Dark";
    forgetColours();
    for (const { plot } of plots) redraw(plot);
  };
  setScheme();
  wide.addEventListener("change", setScheme);
  button.addEventListener("click", () => {
    asked = root.dataset.scheme === "dark" ? "light" : "dark";
    setScheme();
  });
  const stand = new Stand(spec.live ? null : await Core.open(bytesOf(spec.core)));
  render(<Page stand={stand} />, document.getElementById("stand"));
  requestAnimationFrame((at) => stand.frame(at));
  root.dataset.ready = "true";
  return stand;
}

window.liftlatch = main();
window.liftlatch.catch((error) => {
  document.getElementById("stand").textContent = `This browser cannot run the stand. ${error}`;
});
