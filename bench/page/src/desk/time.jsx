// What happens then: the replayed run over time, and the predicted one.
import { useLayoutEffect, useMemo, useRef } from "preact/hooks";
import { Panels, Strip } from "../strip.jsx";
import { clamp, lookOf, plain, valueAt } from "./parts.jsx";

const SHORT = { "out of sight": "sight", "kept (fault)": "kept", "blind (fault)": "blind", "engine ceiling": "engine", "shaft ceiling": "shaft" };
const SHADES = { "out of sight": "sight", "height not believed": "fault", "the car's own differs": "differs" };

// By the series of a line: colour, width, dash, fill down to 0.
export const LOOKS = {
  lift: ["lift", 2.2, []],
  entry: ["lift", 1.1, [3, 2]],
  full: ["cut", 1.3, []],
  reduction_from: ["cut", 1.3, [9, 4]],
  retard_from: ["retard", 1.3, [2, 4]],
  reduction: ["cut", 2.5, [], "cut-fill"],
  demand: ["ink", 1.2, []],
  retard: ["retard", 2.2, []],
  logged_reduction: ["ink", 1.6, [1, 3]],
  logged_retard: ["ink", 1.6, [1, 3]],
  logged_demand: ["soft", 1.1, [1, 3]],
  engine: ["ink", 1.6, []],
  shaft: ["soft", 1.6, []],
  engine_ceiling: ["cut", 1.3, [9, 4]],
  shaft_ceiling: ["cut", 1.3, [2, 4]],
  file: ["disk", 1.8, [5, 3]],
  "run-1": ["run-1", 1.8, [9, 4]],
  "run-2": ["run-2", 1.8, [3, 3]],
  "run-3": ["run-3", 1.8, [12, 3, 3, 3]],
  "run-4": ["run-4", 1.4, []],
  "run-5": ["run-5", 1.4, [6, 6]],
  "with lift": ["foreseen", 2.5, []],
  "without lift": ["soft", 2, [7, 4]],
};
const BARS = {
  solid: ["soft", ""], slash: ["cut-fill", "/"], plain: ["grid", ""], cross: ["fault", "x"], back: ["fault", "\\"],
  dot: ["retard-fill", "."], pipe: ["retard-fill", "|"],
}; // prettier-ignore

/** A strip as it came, in the desk's colours; over it lie `over`, [column, series, look, label] each; `marks` are shades of
    all panels, `apart` of those with the car's own command. */
function dressed(strip, over = [], marks = [], apart = []) {
  const panels = strip.panels.map((panel) => {
    if (panel.kind === "bands") {
      return { ...panel, rows: panel.rows.map((row) => ({ ...row, short: row.words.map(([n, word]) => [n, SHORT[word] ?? ""]) })) };
    }
    const own = panel.lines.map((line) => ({ ...line, look: line.series }));
    const others = over.flatMap(([column, , look, label]) => panel.lines.filter((line) => line.series === column)
      .map((line) => ({ ...line, label, look, series: `${look} ${column}` }))); // prettier-ignore
    const differs = panel.lines.some(({ column }) => column.startsWith("logged_")) ? apart : [];
    return { ...panel, lines: [...own, ...others], shades: [...panel.shades, ...differs, ...marks].map((shade) => ({ ...shade, colour: SHADES[shade.label] ?? "soft" })) };
  });
  const series = { ...strip.series, ...Object.fromEntries(over.map(([column, its, look]) => [`${look} ${column}`, its])) };
  return { ...strip, series, panels, free: true, axis_label: strip.axis };
}
const ofFile = (strip, columns) => (strip ? columns.map((column) => [column, strip.series[column], "file", "the file"]) : []);
const ofRuns = (others) => others.flatMap(({ series, name }, n) =>
  series ? Object.entries(series).map(([column, its]) => [column, its, lookOf(n), name]) : []); // prettier-ignore

/** What must be equal for a strip to take another in its place. */
export const kindOf = (strip) => strip.panels.map(({ kind, title }) => `${kind} ${title}`).join();

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
  const [from, to] = result.strip.view.map((s) => Math.round(s * 1e4) / 10);
  const other = disk?.result?.strip;
  const spec = useMemo(
    () => dressed(
      result.strip,
      [...ofRuns(result.others), ...ofFile(other, ["reduction", "retard"])],
      result.launch ? [{ from: 0, to: 0 }] : [],
      (result.apart?.stretches ?? []).map(({ from, to }) => ({ from, to, label: "the car's own differs" })),
    ),
    [result, other],
  );
  const run = useStrip(spec);
  const shaded = new Set(spec.panels.flatMap((panel) => panel.shades ?? []).map(({ label }) => label));
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
        {Object.entries(SHADES).map(([label, name]) => shaded.has(label) && <span key={name} class={`key ${name}-key`}>{label}</span>)}
      </p>
    </div>
  );
}

/** What a curve reads at a moment in ms. */
function read({ series }, name, at, held) {
  const { first, columns } = series[name];
  const found = valueAt({ t: columns.at.values, v: columns[name].values }, (at / 1000 - first) * columns.at.per, held);
  return found / columns[name].per;
}

// One moment in words.
function reading({ strip }, at) {
  const number = (name, held, digits = 1) => plain(read(strip, name, at, held), digits);
  const who = new Map(strip.panels.at(-1).rows.find((row) => row.column === "reason").words).get(read(strip, "reason", at, true));
  const parts = [
    `${(at / 1000).toFixed(3)} s: lift ${number("lift", false, 0)} mm`,
    `demand ${number("demand")} %`,
    `cut ${number("reduction", true)} %${who ? ` (${who})` : ""}`,
    `retard ${number("retard", true)}°`,
  ];
  return parts.join(", ");
}

export function Predicted({ predicted, disk, model, stale }) {
  if (predicted.why_not) return <p class="note">{predicted.why_not}</p>;
  const other = disk?.result?.predicted;
  return (
    <>
      <div class={`chart${stale ? " stale" : ""}`}>
        <Foreseen predicted={predicted} other={other?.strip} />
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
            {predicted.rows.map((row) => (
              <tr key={row.key} data-row={row.key}>
                <th scope="row">{row.title}</th>
                <td>{row.with}</td>
                {other && <td>{other.rows.find((one) => one.key === row.key)?.with}</td>}
                <td>{row.without}</td>
                <td>{row.difference}</td>
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
  const run = useStrip(useMemo(() => dressed(predicted.strip, ofFile(other, ["with lift"])), [predicted, other]));
  return <Panels strip={run} />;
}
