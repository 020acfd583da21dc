// How high may it go: the ceilings over progress, to drag, with the run's own lift behind them.
import { scaleLinear } from "d3-scale";
import { useEffect, useMemo, useRef, useState } from "preact/hooks";
import { areaOf, Canvas, fill, hatch, lineOf, stroke } from "./canvas.jsx";
import { gesture } from "./link.js";
import { apart, clamp, digitsOf, NumberField, placed, toStep, useWidth, useWindowHeight, valueAt } from "./parts.jsx";

export const LINES = [
  { name: "reduction_full", words: "full cut", does: "the cut is full", shape: "M-8-8H8V8H-8Z", look: ["cut", 2.5] },
  { name: "reduction_from", words: "cut starts", does: "the cut starts", shape: "M0-10L10 0 0 10-10 0Z", look: ["cut", 2.5, [9, 4]] },
  { name: "retard_from", words: "retard starts", does: "the retard starts", shape: "M0-9A9 9 0 1 1 0 9 9 9 0 1 1 0-9Z", look: ["retard", 2.5, [2, 4], "round"] },
];
// of the runs that lie over the chosen one
const LAID = [["run-1", 1.5, [9, 4]], ["run-2", 1.5, [3, 3]], ["run-3", 1.5, [12, 3, 3, 3]], ["run-4", 1.5], ["run-5", 1.5, [6, 6]]];
const REACH = 30; // px from a handle in which a press still takes it
const ROUND = 270; // px of a window's height that go to what stands around the chart
const KNOB = 11; // half of a handle, for the labels beside it

export function Ceilings({ state, values, set, latest, settle, moment, stale }) {
  const [box, width] = useWidth();
  const windowHeight = useWindowHeight();
  const [held, setHeld] = useState(null);
  const svg = useRef(null);
  const phone = width < 480;
  const height = phone ? 340 : clamp(windowHeight - ROUND, 320, 520);
  const margin = { top: 14, right: phone ? 40 : 124, bottom: 42, left: phone ? 42 : 54 };

  const { result, disk } = state;
  const given = state.has_ceilings;
  const size = state.lift_mm;
  const step = state.lift_step;
  const digits = digitsOf(step);
  const points = given ? values.points : result.ceilings.progress;
  const linesOf = (source) => LINES.map(({ name }) => source[name].map((v) => (v == null ? null : v / size)));
  const drawn = given ? LINES.map(({ name }) => values[name]) : linesOf(result.ceilings);
  const predicted = result.predicted?.path;

  const most = Math.max(state.top, (1.06 * Math.max(...result.path.v, ...(predicted?.v ?? []), ...result.others.flatMap((one) => one.path?.v ?? []))) / size);
  const far = Math.max(points[points.length - 1], ...result.path.p, 0.1);
  const x = scaleLinear([Math.min(0, points[0]), far], [margin.left, width - margin.right]);
  const y = scaleLinear([0, most], [height - margin.bottom, margin.top]);
  const [x0, x1] = x.range();
  const steps = phone ? 5 : 7;

  // Outside the points the ceilings stay as they are at the last ones.
  const held_ = (row) => [[x0, row[0]], ...points.map((p, i) => [x(p), row[i]]), [Math.max(x1, x(points.at(-1))), row.at(-1)]];
  const rows = drawn.map(held_);
  const placesOf = (row) => row.map(([place, v]) => [place, v == null ? null : y(v)]);
  const between = (lower, upper) =>
    areaOf(placesOf(lower), placesOf(lower.map(([place, v], i) => [place, v == null || upper[i][1] == null ? null : Math.max(v, upper[i][1])])));
  const roof = rows[0].map(([place]) => [place, most]);
  const first = rows[2].map(([place, low], i) => [place, low == null ? rows[1][i][1] : rows[1][i][1] == null ? low : Math.min(low, rows[1][i][1])]);

  const lift = useMemo(() => pathOf(result.path, x, y, size), [result.path, width, height, most, far]);
  const laid = useMemo(() => result.others.map(({ path: its }) => its && lineOf(its.p.map((p, i) => [x(p), y(its.v[i] / size)]))), [result.others, width, height, most, far]);
  const foreseen = useMemo(() => predicted && pathOf(predicted, x, y, size, far), [predicted, width, height, most, far]);
  const ticks = useMemo(() => secondsAlong(result.path, phone ? 1000 : 500), [result.path, phone]);
  const along = useMemo(() => boxesAlong(result.path, x, y, size), [result.path, width, height, most, far]);

  // -- moving

  // A point that was just added has no range yet, and stays where it is.
  const range = (name, i) => state.ranges[name][i] ?? [values[name][i], values[name][i]];
  const moveOne = (name, i, to, of, stamp, drags) => {
    const [low, high] = range(name, i);
    const row = [...latest(name)];
    const before = row[i];
    row[i] = clamp(toStep(to, step), low, high);
    if (row[i] !== before) set({ [name]: row }, of, stamp, drags);
  };
  const moveAll = (name, from, by, of, stamp, drags) => {
    const low = Math.max(...from.map((v, i) => range(name, i)[0] - v));
    const high = Math.min(...from.map((v, i) => range(name, i)[1] - v));
    const whole = clamp(toStep(by, step), low, high);
    const row = from.map((v) => Number((v + whole).toFixed(6)));
    const before = latest(name);
    if (row.some((v, i) => v !== before[i])) set({ [name]: row }, of, stamp, drags);
  };
  const placeOf = (event) => {
    const frame = svg.current.getBoundingClientRect();
    return [event.clientX - frame.left, event.clientY - frame.top];
  };
  const labels = apart(drawn.map((row) => y(row.at(-1) ?? 0)), 22, margin.top + 8, height - margin.bottom - 8);
  const gripX = x1 + 18;
  const nearest = ([px, py]) => {
    let found = null;
    const offer = (what, hx, hy) => {
      const away = Math.hypot(px - hx, py - hy);
      if (away <= REACH && (!found || away < found.away)) found = { ...what, away, hy };
    };
    LINES.forEach(({ name }, n) => {
      points.forEach((p, i) => offer({ name, i }, x(p), y(drawn[n][i])));
      offer({ name, i: -1 }, gripX, labels[n]);
    });
    return found;
  };
  const press = (event) => {
    if (!given || event.button > 0) return;
    const at = placeOf(event);
    const found = nearest(at);
    if (!found) return;
    event.preventDefault();
    svg.current.setPointerCapture(event.pointerId);
    svg.current.querySelector(`[data-handle="${found.name} ${found.i}"]`)?.focus({ preventScroll: true });
    setHeld({
      ...found,
      whole: found.i < 0 || event.shiftKey,
      from: values[found.name],
      startY: at[1],
      grab: found.i < 0 ? 0 : at[1] - found.hy,
      gesture: gesture(`${found.name} ${found.i}`, true),
    });
  };
  // A finger on a handle does not scroll the page; anywhere else it does.
  const touched = useRef(null);
  touched.current = (event) => {
    const [finger] = event.touches;
    if (given && event.cancelable && event.touches.length === 1 && nearest(placeOf(finger))) event.preventDefault();
  };
  useEffect(() => {
    const on = (event) => touched.current(event);
    const drawing = svg.current;
    drawing?.addEventListener("touchstart", on, { passive: false });
    return () => drawing?.removeEventListener("touchstart", on);
  }, [width > 0]);
  const drag = (event) => {
    if (!held) return;
    const [, py] = placeOf(event);
    if (held.whole) moveAll(held.name, held.from, y.invert(py) - y.invert(held.startY), held.gesture, event.timeStamp, true);
    else moveOne(held.name, held.i, y.invert(py - held.grab), held.gesture, event.timeStamp, true);
  };
  const release = () => {
    settle();
    setHeld(null);
  };
  const keys = { ArrowUp: 1, ArrowRight: 1, ArrowDown: -1, ArrowLeft: -1, PageUp: 10, PageDown: -10 };
  const press_key = (event, name, i) => {
    const by = keys[event.key];
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const of = () => gesture(`${name} ${i} keys`);
    const whole = i < 0 || event.shiftKey;
    if (by) {
      if (whole) moveAll(name, values[name], by * step, of(), event.timeStamp);
      else moveOne(name, i, values[name][i] + by * step, of(), event.timeStamp);
    } else if (event.key === "Home" || event.key === "End") {
      const to = event.key === "Home" ? -1e6 : 1e6;
      if (whole) moveAll(name, values[name], to, of(), event.timeStamp);
      else moveOne(name, i, to, of(), event.timeStamp);
    } else return;
    event.preventDefault();
  };

  const unit = state.lift_unit;
  const sensorEnd = state.result.ceilings.sensor_end_mm / size;
  const zones = [
    { text: `full cut${values.greatest_reduction != null ? `, ${values.greatest_reduction} %` : ""}`, spots: zoneSpots(rows[0], roof, x0, y) },
    { text: "more cut", spots: zoneSpots(rows[1], rows[0], x0, y) },
    { text: "retard", spots: zoneSpots(rows[2], rows[1], x0, y) },
    { text: "nothing is taken", spots: zoneSpots(first.map(([place]) => [place, 0]), first, x0, y) },
  ].filter((_, n) => !(phone && n > 0));
  const spots = placed(
    [
      ...(given ? LINES.flatMap(({ name }, n) => points.map((p, i) => ({ key: `${name} ${i}`, text: values[name][i].toFixed(digits), spots: valueSpots(x(p), y(values[name][i]), n === 2) }))) : []),
      ...(sensorEnd < most ? [{ key: "sensor", text: SENSOR_END, may: true, spots: [y(sensorEnd) - 9, y(sensorEnd) + 9].flatMap((at) => [[x1 - 6, at, "end"], [(x0 + x1) / 2, at, "middle"], [x0 + 6, at, "start"]]) }] : []),
      ...zones.map(({ text, spots: its }) => ({ key: text, text, may: true, spots: its })),
      ...ticks.map(({ t, p, v }) => ({ key: t, text: `${t / 1000} s`, may: true, spots: momentSpots(x(p), y(v / size)) })),
    ],
    [
      ...(given ? drawn.flatMap((row) => points.map((p, i) => [x(p) - KNOB, y(row[i]) - KNOB, x(p) + KNOB, y(row[i]) + KNOB])) : []),
      ...along,
    ],
    [x0, margin.top, x1 + 1, height - margin.bottom],
  );

  const ofDisk = state.compare && disk?.result ? disk.result.ceilings : null;
  const draw = (ctx) => {
    const frame = [x0, margin.top, x1, height - margin.bottom];
    const inside = new Path2D();
    inside.rect(x0, margin.top, Math.max(0, x1 - x0), height - margin.top - margin.bottom);
    ctx.save();
    ctx.clip(inside);
    fill(ctx, between(rows[2], rows[1]), "retard-fill");
    fill(ctx, between(rows[1], rows[0]), "cut-fill");
    hatch(ctx, between(rows[1], rows[0]), frame);
    fill(ctx, between(rows[0], roof), "full-fill");
    ctx.restore();
    for (const v of y.ticks(steps)) stroke(ctx, lineOf([[x0, y(v)], [x1, y(v)]]), ["grid", 1]);
    if (sensorEnd < most) stroke(ctx, lineOf([[x0, y(sensorEnd)], [x1, y(sensorEnd)]]), ["soft", 2, [1, 4]]);
    ctx.save();
    ctx.clip(inside);
    ctx.lineJoin = "round";
    laid.forEach((its, n) => its && stroke(ctx, its, LAID[n]));
    if (foreseen) stroke(ctx, foreseen.all, ["foreseen", 2, [3, 4]]);
    stroke(ctx, lift.all, ["lift", 2.2]);
    stroke(ctx, lift.cut, ["lift", 5.5]);
    for (const { p, v } of ticks) {
      const dot = new Path2D();
      dot.arc(x(p), y(v / size), 3, 0, 7);
      fill(ctx, dot, "lift");
    }
    ctx.lineJoin = "miter";
    for (const { name } of ofDisk ? LINES : []) {
      const row = ofDisk[name].map((v) => (v == null ? null : v / size));
      stroke(ctx, lineOf(placesOf([[x0, row[0]], ...ofDisk.progress.map((p, i) => [x(p), row[i]]), [x1, row.at(-1)]])), ["disk", 1.8, [5, 3]]);
    }
    ctx.restore();
    rows.forEach((row, n) => stroke(ctx, lineOf(placesOf(row)), LINES[n].look));
  };

  return (
    <div ref={box} class={`chart${stale ? " stale" : ""}`}>
      {width > 0 && (
        <div class="picture">
          <Canvas width={width} height={height} draw={draw} of={[String(drawn), String(points), lift, laid, foreseen, ticks, sensorEnd, ofDisk, phone]} />
          <svg
            ref={svg}
            width={width}
            height={height}
            class={held ? "holding" : ""}
            onPointerDown={press}
            onPointerMove={drag}
            onPointerUp={release}
            onPointerCancel={release}
            role="group"
            aria-label={`Ceilings: lift in ${unit} over ${state.progress_unit}. The run's own lift lies behind them.`}
          >
            <g class="axis" aria-hidden="true">
              {y.ticks(steps).map((v) => (
                <g key={v} transform={`translate(0 ${y(v)})`}>
                  <text x={x0 - (phone ? 12 : 14)} dy="0.32em" text-anchor="end">{v}</text>
                </g>
              ))}
              {x.ticks(phone ? 4 : 8).map((v) => (
                <g key={v} transform={`translate(${x(v)} ${height - margin.bottom})`}>
                  <line y2="5" />
                  <text y="19" text-anchor="middle">{v}</text>
                </g>
              ))}
              <text x={x1} y={height - 6} text-anchor="end">{state.progress_unit === "ms" ? "ms since the launch" : state.progress_unit}</text>
              <text x={4} y={height - 6} class="unit">lift, {unit}</text>
            </g>
            <g class="run-words" aria-hidden="true">
              {spots.sensor && <Words at={spots.sensor}>{SENSOR_END}</Words>}
            </g>
            <g class="run-words moments" aria-hidden="true">
              {ticks.map(({ t }) => spots[t] && <Words key={t} at={spots[t]}>{t / 1000} s</Words>)}
            </g>
            <g class="zone-words" aria-hidden="true">
              {zones.map(({ text }) => spots[text] && <Words key={text} at={spots[text]}>{text}</Words>)}
            </g>
            {moment != null && <Moment path={result.path} at={moment} x={x} y={y} size={size} />}
            {!given && !phone && LINES.map(({ name, words }, n) => rows[n].at(-1)[1] != null && (
              <text key={name} x={x1 + 10} y={labels[n]} dy="0.32em" aria-hidden="true">{words}</text>
            ))}
            {given && LINES.map(({ name, words, does, shape }, n) => (
              <g key={name}>
                {points.map((p, i) => {
                  const value = values[name][i];
                  const [low, high] = range(name, i);
                  const text = `${value.toFixed(digits)} ${unit} at ${p} ${state.progress_unit}`;
                  return (
                    <g
                      key={i}
                      class={`handle ${name}${held && held.name === name && (held.whole || held.i === i) ? " held" : ""}`}
                      data-handle={`${name} ${i}`}
                      transform={`translate(${x(p)} ${y(value)})`}
                      role="slider"
                      tabindex={0}
                      aria-label={`${words}, ${p} ${state.progress_unit}`}
                      aria-orientation="vertical"
                      aria-valuemin={low}
                      aria-valuemax={high}
                      aria-valuenow={value}
                      aria-valuetext={text}
                      onKeyDown={(event) => press_key(event, name, i)}
                    >
                      <title>{`At ${p} ${state.progress_unit} ${does} at ${value.toFixed(digits)} ${unit}`}</title>
                      <circle class="reach" r="22" />
                      <path class="knob" d={shape} />
                      <Words at={spots[`${name} ${i}`]} from={[x(p), y(value)]}>{value.toFixed(digits)}</Words>
                    </g>
                  );
                })}
                <g
                  class={`handle grip ${name}`}
                  data-handle={`${name} -1`}
                  transform={`translate(${gripX} ${labels[n]})`}
                  role="slider"
                  tabindex={0}
                  aria-label={`${words}, the whole line`}
                  aria-orientation="vertical"
                  aria-valuemin={Math.min(...state.ranges[name].map(([low]) => low))}
                  aria-valuemax={Math.max(...state.ranges[name].map(([, high]) => high))}
                  aria-valuenow={Math.max(...values[name])}
                  aria-valuetext={`${Math.min(...values[name]).toFixed(digits)} to ${Math.max(...values[name]).toFixed(digits)} ${unit}`}
                  onKeyDown={(event) => press_key(event, name, -1)}
                >
                  <title>{`Move the whole line: ${words}`}</title>
                  <rect class="reach" x="-20" y="-14" width={phone ? 42 : 128} height="28" />
                  <path class="line-to" d={`M-18 ${y(values[name].at(-1)) - labels[n]}L-9 0`} />
                  <path class="knob" d="M-5-2L0-8 5-2ZM-5 2L0 8 5 2Z" />
                  {!phone && <text x="12" dy="0.32em">{words}</text>}
                </g>
              </g>
            ))}
            {phone && held && <Answer result={result} stale={stale} x={clamp(placeHeld(held, x, points, gripX), x0 + 84, x1 - 60)} y={placeAbove(y(held.whole ? Math.max(...values[held.name]) : values[held.name][held.i]))} />}
          </svg>
        </div>
      )}
      {phone && (
        <p class="legend" aria-hidden="true">
          {LINES.map(({ name, words, shape }) => (
            <span key={name} class={`handle ${name}`}>
              <svg width="18" height="18" viewBox="-12 -12 24 24"><path class="knob" d={shape} /></svg> {words}
            </span>
          ))}
        </p>
      )}
    </div>
  );
}

const SENSOR_END = "the sensor sees no higher";
const Words = ({ at: [x, y, anchor], from: [fx, fy] = [0, 0], children }) => (
  <text class="words" x={x - fx} y={y - fy} dy="0.32em" text-anchor={anchor}>{children}</text>
);

// Beside a handle: over it to the right, else wherever there is room.
function valueSpots(px, py, below) {
  const sides = [[px + 14, "start"], [px - 14, "end"]];
  const rows = below ? [py + 12, py - 12, py + 22, py - 22] : [py - 12, py + 12, py - 22, py + 22];
  return [...rows.flatMap((at) => sides.map(([side, anchor]) => [side, at, anchor])), ...sides.map(([side, anchor]) => [side, py, anchor])];
}
const momentSpots = (px, py) => [[px, py - 13, "middle"], [px + 8, py - 8, "start"], [px - 8, py - 8, "end"], [px, py + 15, "middle"], [px + 9, py, "start"]];

// In the middle of a zone between two lines, between points, from the right: a run seldom comes so high there.
function zoneSpots(lower, upper, x0, y) {
  const found = [];
  for (let i = lower.length - 1; i > 0; i -= 1) {
    const level = [lower[i - 1][1], lower[i][1], upper[i - 1][1], upper[i][1]];
    const [left, right] = [lower[i - 1][0], lower[i][0]];
    if (level.includes(null) || level.includes(undefined) || right - left < 30) continue;
    for (const share of [0.5, 0.35, 0.65]) {
      const low = y(level[0] + share * (level[1] - level[0]));
      const high = y(level[2] + share * (level[3] - level[2]));
      if (low - high < 17) continue;
      for (const down of [0.5, 0.3, 0.7]) found.push([left + share * (right - left), high + down * (low - high), "middle"]);
    }
  }
  return found;
}

// Where the run's own line is, as small boxes.
function boxesAlong(run, x, y, size) {
  const found = [];
  let [lx, ly] = [NaN, NaN];
  for (let i = 0; i < run.t.length; i += 1) {
    const [px, py] = [x(run.p[i]), y(run.v[i] / size)];
    if (Math.abs(px - lx) < 3 && Math.abs(py - ly) < 3) continue;
    found.push([px - 2, py - 2, px + 2, py + 2]);
    [lx, ly] = [px, py];
  }
  return found;
}

// The answer beside the finger that drags: above the hand, over what stands above the chart where need be.
const placeHeld = (held, x, points, gripX) => (held.i < 0 ? gripX : x(points[held.i]));
const placeAbove = (at) => at - 92;
function Answer({ result, stale, x, y }) {
  const by = (key) => result.figures.find((one) => one.key === key)?.text;
  return (
    <g class="answer" transform={`translate(${x} ${y})`} aria-hidden="true">
      <rect x="-84" y="-20" width="168" height="46" rx="7" />
      {stale ? <text y="3" text-anchor="middle">these cannot be</text> : (
        <>
          <text y="-3" text-anchor="middle">cut {by("cut")}</text>
          <text y="16" text-anchor="middle">given back {by("back")}</text>
        </>
      )}
    </g>
  );
}

/** A run's lift over progress up to `far`, and of that what is cut. */
function pathOf(run, x, y, size, far = Infinity) {
  const end = run.p.findIndex((p) => p > far);
  const places = run.p.slice(0, end < 0 ? run.p.length : end).map((p, i) => [x(p), y(run.v[i] / size)]);
  return { all: lineOf(places), cut: lineOf(places.map(([px, py], i) => [px, run.cut[i] ? py : null])) };
}

// A few moments to write along the run's path, so that it can be found again over time.
function secondsAlong(run, each) {
  const found = [];
  for (let t = each; t <= Math.min(run.t.at(-1), 3000); t += each) {
    const at = (v) => valueAt({ t: run.t, v }, t);
    found.push({ t, p: at(run.p), v: at(run.v) });
  }
  return found.filter((one) => one.v > 15);
}

function Moment({ path, at, x, y, size }) {
  if (at < path.t[0]) return null;
  const p = valueAt({ t: path.t, v: path.p }, at);
  const v = valueAt({ t: path.t, v: path.v }, at);
  return <circle class="moment" cx={x(p)} cy={y(v / size)} r="7" aria-hidden="true" />;
}

// The same as numbers, for those who know them, and to add and take away points.
export function Numbers({ state, values, set }) {
  const [open, setOpen] = useState(false);
  if (!state.has_ceilings) return null;
  const names = [...LINES].reverse();
  const change = (name, i, value, stamp) => {
    const row = [...values[name]];
    row[i] = value;
    set({ [name]: row }, gesture(`${name} ${i} field`), stamp);
  };
  const every = ["points", ...LINES.map(({ name }) => name)];
  const remove = (i) => set(Object.fromEntries(every.map((name) => [name, values[name].filter((_, at) => at !== i)])), gesture("points", true));
  const add = (i) => {
    const middle = (row) => toStep((row[i] + row[i + 1]) / 2, state.lift_step);
    set(Object.fromEntries(every.map((name) => [name, [...values[name].slice(0, i + 1), middle(values[name]), ...values[name].slice(i + 1)]])), gesture("points", true));
  };
  const count = values.points.length;
  return (
    <details class="numbers" onToggle={(event) => setOpen(event.currentTarget.open)}>
      <summary>The same as numbers; add or take away points</summary>
      {open && <div class="scroll" tabindex={0} role="region" aria-label="Ceilings as numbers">
        <table>
          <thead>
            <tr>
              <th scope="col">at, {state.progress_unit}</th>
              {names.map(({ name, words }) => <th scope="col" key={name}>{words}, {state.lift_unit}</th>)}
              <th scope="col"><span class="hidden">change</span></th>
            </tr>
          </thead>
          <tbody>
            {values.points.map((p, i) => (
              <tr key={i}>
                <td><NumberField value={p} step={1} label={`point ${i + 1}, ${state.progress_unit}`} onSet={(v, stamp) => change("points", i, v, stamp)} /></td>
                {names.map(({ name, words }) => (
                  <td key={name}>
                    <NumberField value={values[name][i]} step={state.lift_step} label={`${words} at ${p} ${state.progress_unit}`} onSet={(v, stamp) => change(name, i, v, stamp)} />
                  </td>
                ))}
                <td class="row-buttons">
                  <button type="button" disabled={count < 2} onClick={() => remove(i)} aria-label={`take the point at ${p} away`}>−</button>
                  {i < count - 1 && count < 16 && <button type="button" onClick={() => add(i)} aria-label={`add a point after ${p}`}>+</button>}
                </td>
              </tr>
            ))}
          </tbody>
        </table>
      </div>}
    </details>
  );
}
