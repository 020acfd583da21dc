// What happens then: the replayed run over time, and the predicted one.
import { useLayoutEffect, useMemo, useRef } from "preact/hooks";
import { NONE } from "../columns.js";
import { Panels, Strip } from "../strip.jsx";
import { clamp, plain, valueAt } from "./parts.jsx";

const SHORT = { "out of sight": "sight", "kept (fault)": "kept", "blind (fault)": "blind", "engine ceiling": "engine", "shaft ceiling": "shaft" };
const CEILINGS = { reduction_full: ["full cut", "full"], reduction_from: ["cut starts", "from"], retard_from: ["retard starts", "retard-from"] };

// colour, width, dash, fill down to 0
const LOOKS = {
  lift: ["lift", 2.2, []],
  ahead: ["lift", 1.1, [3, 2]],
  full: ["cut", 1.3, []],
  from: ["cut", 1.3, [9, 4]],
  "retard-from": ["retard", 1.3, [2, 4]],
  cut: ["cut", 2.5, [], "cut-fill"],
  demand: ["ink", 1.2, []],
  retard: ["retard", 2.2, []],
  disk: ["disk", 1.8, [5, 3]],
  car: ["ink", 1.6, [1, 3]],
  foreseen: ["foreseen", 2.5, []],
  without: ["soft", 2, [7, 4]],
};
const BARS = {
  lift: ["cut-fill", "/"], sight: ["sight", ""], hold: ["soft", ""], curve: ["retard-fill", "\\"], fault: ["fault", "x"], plain: ["grid", ""],
}; // prettier-ignore
const BAR_OF = {
  lift: "lift", "out of sight": "sight", hold: "hold", "engine ceiling": "curve", "shaft ceiling": "curve", kept: "fault",
  "kept (fault)": "fault", "blind (fault)": "fault", "fault release": "fault",
}; // prettier-ignore

// Curves come in ms; a strip counts seconds.
const column = (values, per = 1) => ({ values: values.map((v) => v ?? NONE), gaps: true, per, unit: "", decimals: 1, words: {} });
const seriesOf = (t, v, step) => ({ first: 0, step, along: "t", columns: { t: column(t, 1000), v: column(v) } });
const line = (label, series, look, more = {}) => ({ label, column: "v", look, series, stepped: false, scaled: true, ...more });
const panel = (title, unit, height, lines, more = {}) => ({
  kind: "panel", title, unit, height, lines, levels: [], bottom: null, least_top: null, ...more,
}); // prettier-ignore
const strip = (series, panels, [from, to], launch) => ({
  series, panels, view: [from / 1000, to / 1000], cursor: null, decimals: 3, free: true, axis: "s",
  zeros: [],
  axis_label: launch ? "seconds since the launch" : "seconds from the trace's start",
}); // prettier-ignore

/** A row of bars, and its series, of stretches of time that do not lie over one another. */
function rowOf(label, name, spans, from, step) {
  const names = [...new Set(spans.map((span) => span.name))];
  const t = [from];
  const v = [0];
  for (const span of spans) {
    t.push(span.from, span.to);
    v.push(1 + names.indexOf(span.name), 0);
  }
  const row = {
    label, series: name, column: "v", mask: -1,
    bars: names.map((one, i) => [i + 1, BAR_OF[one] ?? "plain"]),
    words: names.map((one, i) => [i + 1, one]),
    short: names.map((one, i) => [i + 1, SHORT[one] ?? ""]),
  }; // prettier-ignore
  return [row, seriesOf(t, v, step)];
}

function replayedStrip(result, other) {
  const { curves, bands, tick_ms: tick } = result;
  const step = tick / 1000;
  const series = Object.fromEntries(Object.entries(curves).map(([name, curve]) => [name, seriesOf(curve.t, curve.v, step)]));
  if (other) {
    for (const name of ["reduction", "retard"]) series[`disk-${name}`] = seriesOf(other.curves[name].t, other.curves[name].v, step);
  }
  const onDisk = (name) => (other ? [line("the file", `disk-${name}`, "disk", { stepped: true })] : []);
  const ofCar = (name) => (curves[`logged_${name}`] ? [line("the car's own", `logged_${name}`, "car", { stepped: true })] : []);
  const shades = (spans, colour) => spans.map(([from, to]) => ({ from: from / 1000, to: to / 1000, colour }));
  const [who, whoSeries] = rowOf("who", "who", bands.reason, result.window_ms[0], step);
  const [latch, latchSeries] = rowOf("latch", "latch", bands.latch, result.window_ms[0], step);
  const lift = panel("Lift", "mm", 175, [
    ...Object.entries(CEILINGS).map(([name, [label, look]]) => line(label, name, look)),
    ...(curves.ahead ? [line("looked ahead", "ahead", "ahead")] : []),
    line("lift", "lift", "lift"),
  ], {
    least_top: 50,
    shades: [...shades(bands.sight, "sight"), ...shades(bands.fault, "fault"), ...shades(result.launch ? [[0, 0]] : [], "soft")],
  }); // prettier-ignore
  const cut = panel("Cut", "%", 130, [line("cut", "reduction", "cut", { stepped: true }), line("demand now", "demand", "demand"), ...onDisk("reduction"), ...ofCar("reduction")], { bottom: 0, least_top: 10 });
  const retard = panel("Retard", "°", 90, [line("retard", "retard", "retard", { stepped: true }), ...onDisk("retard"), ...ofCar("retard")], { bottom: 0, least_top: 5 });
  const rows = { kind: "bands", title: "Who asked, and the latch", rows: [who, latch] };
  return strip({ ...series, who: whoSeries, latch: latchSeries }, [lift, cut, retard, rows], result.window_ms, result.launch);
}

function predictedStrip(predicted, other) {
  const ends = [0, predicted.until_ms];
  const series = { with: predicted.with, without: predicted.without, ...(other && { disk: other.with }) };
  return strip(
    Object.fromEntries(Object.entries(series).map(([name, run]) => [name, seriesOf(run.t, run.v, 0.001)])),
    [panel("Lift", "mm", 190, [line("without", "without", "without"), ...(other ? [line("the file", "disk", "disk")] : []), line("this setting", "with", "foreseen")], { least_top: 50 })],
    ends,
    true,
  );
}

/** One strip that shows whatever `spec` is at the time. */
function useStrip(spec) {
  const held = useRef(null);
  held.current ??= new Strip(spec, { looks: LOOKS, bars: BARS });
  useLayoutEffect(() => {
    if (held.current.spec !== spec) held.current.update(spec);
  }, [spec]);
  return held.current;
}

export function Replayed({ result, disk, moment, setMoment, stale }) {
  const [from, to] = result.window_ms;
  const other = disk?.result;
  const run = useStrip(useMemo(() => replayedStrip(result, other), [result, other]));
  const shownAt = moment == null ? null : clamp(moment, from, to);
  useLayoutEffect(() => run.show(shownAt == null ? null : shownAt / 1000), [shownAt]);
  const key = (event) => {
    const by = { ArrowRight: 10, ArrowUp: 10, ArrowLeft: -10, ArrowDown: -10, PageUp: 100, PageDown: -100 }[event.key];
    if (event.key === "Home") setMoment(from);
    else if (event.key === "End") setMoment(to);
    else if (event.key === "Escape") setMoment(null);
    else if (by) setMoment(clamp((moment ?? 0) + by, from, to));
    else return run.key(event);
    return event.preventDefault();
  };
  return (
    <div class={`chart${stale ? " stale" : ""}`}>
      <div
        onPointerLeave={() => setMoment(null)}
        onKeyDown={key}
        role="slider"
        tabindex={0}
        aria-label="The replayed run over time: lift, cut, retard, who asked. Move a moment along it"
        aria-valuemin={from}
        aria-valuemax={to}
        aria-valuenow={Math.round(shownAt ?? 0)}
        aria-valuetext={shownAt == null ? "no moment chosen" : reading(result, shownAt)}
      >
        <Panels strip={run} changed={() => run.cursor !== null && setMoment(clamp(run.cursor * 1000, from, to))} />
      </div>
      <p class="reading" aria-hidden="true">
        {shownAt == null ? "Point into the picture to read it off; drag over a stretch to zoom in, double click shows all." : reading(result, shownAt)}
        {result.bands.sight.length > 0 && <span class="key sight-key">out of sight</span>}
        {result.bands.fault.length > 0 && <span class="key fault-key">sensor fault</span>}
      </p>
    </div>
  );
}

// One moment in words.
function reading(result, at) {
  const { curves } = result;
  const read = (name, held) => plain(valueAt(curves[name], at, held), 1);
  const who = result.bands.reason.find((span) => span.from <= at && at < span.to);
  const parts = [
    `${(at / 1000).toFixed(3)} s: lift ${plain(valueAt(curves.lift, at), 0)} mm`,
    `demand ${read("demand")} %`,
    `cut ${read("reduction", true)} %${who ? ` (${who.name})` : ""}`,
    `retard ${read("retard", true)}°`,
  ];
  return parts.join(", ");
}

export function Predicted({ predicted, disk, model, stale }) {
  if (predicted.why_not) return <p class="note">{predicted.why_not}</p>;
  const other = disk?.result?.predicted;
  const rows = predicted.rows.filter((row) => row.key !== "turned_over" || row.with || row.without);
  const write = (row, value) => {
    if (row.key === "turned_over") return value ? "yes" : "no";
    return value == null ? "not reached" : `${value.toFixed(row.digits)}${row.unit ? ` ${row.unit}` : ""}`;
  };
  const less = (row) => {
    if (row.with == null || row.without == null || row.key === "turned_over") return "";
    const by = row.with - row.without;
    const text = `${by >= 0 ? "+" : "−"}${Math.abs(by).toFixed(row.digits)}`;
    return Number(by.toFixed(row.digits)) === 0 ? "as without" : text;
  };
  return (
    <>
      <div class={`chart${stale ? " stale" : ""}`}>
        <Foreseen predicted={predicted} other={other?.with && other} />
      </div>
      <div class="scroll" tabindex={0} role="region" aria-label="Predicted figures">
        <table class="foretold">
          <thead>
            <tr>
              <th scope="col">Predicted</th>
              <th scope="col">this setting</th>
              {other && <th scope="col">on disk</th>}
              <th scope="col">without</th>
              <th scope="col">difference</th>
            </tr>
          </thead>
          <tbody>
            {rows.map((row) => (
              <tr key={row.key} data-row={row.key}>
                <th scope="row">{row.title}</th>
                <td>{write(row, row.with)}</td>
                {other && <td>{write(row, other.rows.find((one) => one.key === row.key)?.with)}</td>}
                <td>{write(row, row.without)}</td>
                <td>{less(row)}</td>
              </tr>
            ))}
          </tbody>
        </table>
      </div>
      <p class="note">{model}</p>
    </>
  );
}

function Foreseen({ predicted, other }) {
  const run = useStrip(useMemo(() => predictedStrip(predicted, other), [predicted, other]));
  return <Panels strip={run} />;
}
