// What happens then: the replayed run over time, and the predicted one.
import { scaleLinear } from "d3-scale";
import { curveStepAfter, line } from "d3-shape";
import { useMemo } from "preact/hooks";
import { clamp, plain, useWidth, valueAt } from "./parts.jsx";

const CEILINGS = ["reduction_full", "reduction_from", "retard_from"];
const SHORT = { "out of sight": "sight", "kept (fault)": "kept", "blind (fault)": "blind", "engine curve": "engine", "shaft curve": "shaft" };

// d3's generator over a curve's two lists.
const trace = (x, y, held) => {
  const made = line().defined((d) => d[1] != null).x((d) => x(d[0])).y((d) => y(d[1])).digits(1);
  if (held) made.curve(curveStepAfter);
  return (curve) => made(curve.t.map((t, i) => [t, curve.v[i]]));
};

export function Replayed({ result, disk, moment, setMoment, stale }) {
  const [box, width] = useWidth();
  const phone = width < 560;
  const left = 44;
  const right = phone ? 8 : 96;
  const [from, to] = result.window_ms;
  const x = scaleLinear([from, to], [left, width - right]);
  const panels = { lift: [12, 150], cut: [186, 120], retard: [332, 58], who: [412, 18], latch: [436, 18] };
  const height = 492;
  const other = disk?.result;

  const picture = useMemo(() => {
    if (!width) return null;
    const { curves } = result;
    const greatest = (curve) => Math.max(...curve.v);
    const y = (panel, most, least = 0) => scaleLinear([least, most], [panels[panel][0] + panels[panel][1], panels[panel][0]]);
    const tops = curves.reduction_full.v.filter((v) => v != null);
    const lift = y("lift", 1.05 * Math.max(50, greatest(curves.lift), ...tops), Math.min(0, ...curves.lift.v));
    const most = Math.max(10, greatest(curves.demand), greatest(curves.reduction), other ? greatest(other.curves.reduction) : 0);
    const cut = y("cut", Math.min(100, 10 * Math.ceil(most / 10 + 0.2)));
    const retard = y("retard", Math.max(5, 1.15 * greatest(curves.retard), other ? 1.15 * greatest(other.curves.retard) : 0));
    const stepped = trace(x, cut, true)(curves.reduction);
    const zero = cut(0);
    return {
      lift,
      cut,
      retard,
      paths: {
        lift: trace(x, lift)(curves.lift),
        ahead: curves.ahead && trace(x, lift)(curves.ahead),
        ceilings: CEILINGS.map((name) => trace(x, lift)(curves[name])),
        demand: trace(x, cut)(curves.demand),
        cut: stepped,
        cutArea: `${stepped}V${zero}H${x(curves.reduction.t[0])}Z`,
        retard: trace(x, retard, true)(curves.retard),
        otherCut: other && trace(x, cut, true)(other.curves.reduction),
        otherRetard: other && trace(x, retard, true)(other.curves.retard),
      },
    };
  }, [result, other, width]);

  const seconds = x.ticks(phone ? 4 : 8);
  const shownAt = moment == null ? null : clamp(moment, from, to);
  const point = (event) => {
    const frame = event.currentTarget.getBoundingClientRect();
    setMoment(clamp(x.invert(event.clientX - frame.left), from, to));
  };
  const key = (event) => {
    const by = { ArrowRight: 10, ArrowUp: 10, ArrowLeft: -10, ArrowDown: -10, PageUp: 100, PageDown: -100 }[event.key];
    if (event.key === "Home") setMoment(from);
    else if (event.key === "End") setMoment(to);
    else if (event.key === "Escape") setMoment(null);
    else if (by) setMoment(clamp((moment ?? 0) + by, from, to));
    else return;
    event.preventDefault();
  };
  const bar = (panel) => (span) => {
    const a = x(Math.max(from, span.from));
    const wide = Math.max(1.5, x(Math.min(to, span.to)) - a);
    const words = wide > span.name.length * 7.2 + 8 ? span.name : wide > 44 ? SHORT[span.name] ?? "" : "";
    return (
      <g key={`${span.from} ${span.name}`}>
        <title>{`${span.name}, ${plain(span.from / 1000, 3)} to ${plain(span.to / 1000, 3)} s`}</title>
        <rect class={`span ${span.name.replaceAll(/[^a-z]+/g, "-").replace(/-$/, "")}`} x={a} y={panels[panel][0]} width={wide} height={panels[panel][1]} />
        {words && <text class="span-words" x={a + wide / 2} y={panels[panel][0] + 13} text-anchor="middle">{words}</text>}
      </g>
    );
  };
  return (
    <div ref={box} class={`chart${stale ? " stale" : ""}`}>
      {picture && (
        <svg
          width={width}
          height={height}
          onPointerMove={point}
          onPointerDown={point}
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
          <g aria-hidden="true">
            {result.bands.sight.map(([a, b]) => <rect key={a} class="out-of-sight" x={x(a)} width={Math.max(1, x(b) - x(a))} y={panels.lift[0]} height={panels.lift[1]} />)}
            {result.bands.fault.map(([a, b]) => <rect key={a} class="fault" x={x(a)} width={Math.max(1, x(b) - x(a))} y={panels.lift[0]} height={panels.lift[1]} />)}
            {seconds.map((t) => (
              <g key={t} class="axis" transform={`translate(${x(t)} 0)`}>
                <line class="grid" y1={panels.lift[0]} y2={panels.latch[0] + panels.latch[1]} />
                <text y={height - 20} text-anchor="middle">{plain(t / 1000, 2)}</text>
              </g>
            ))}
            <g class="axis">
              <text x={width - right} y={height - 4} text-anchor="end">{result.launch ? "seconds since the launch" : "seconds from the trace's start"}</text>
              {result.launch > 0 && <line class="launch" x1={x(0)} x2={x(0)} y1={panels.lift[0]} y2={panels.latch[0] + panels.latch[1]} />}
              {[["lift", picture.lift, 3], ["cut", picture.cut, 3], ["retard", picture.retard, 2]].map(([name, y, count]) => (
                <g key={name}>
                  {y.ticks(count).map((v) => (
                    <g key={v} transform={`translate(0 ${y(v)})`}>
                      <line x1={left} x2={width - right} class="grid" />
                      <text x={left - 6} dy="0.32em" text-anchor="end">{v}</text>
                    </g>
                  ))}
                </g>
              ))}
            </g>
            {picture.paths.ceilings.map((d, n) => <path key={CEILINGS[n]} class={`ceiling thin ${CEILINGS[n]}`} d={d} />)}
            {picture.paths.ahead && <path class="ahead" d={picture.paths.ahead} />}
            <path class="lift" data-curve="lift" d={picture.paths.lift} />
            <path class="cut-area" d={picture.paths.cutArea} />
            <path class="cut" data-curve="reduction" d={picture.paths.cut} />
            <path class="demand" d={picture.paths.demand} />
            <path class="retard" d={picture.paths.retard} />
            {picture.paths.otherCut && <path class="of-disk" d={picture.paths.otherCut} />}
            {picture.paths.otherRetard && <path class="of-disk" d={picture.paths.otherRetard} />}
            {result.bands.reason.map(bar("who"))}
            {result.bands.latch.map(bar("latch"))}
            <Title phone={phone} x={phone ? left + 4 : width - right + 8} y={panels.lift[0]} name="lift" words="lift, mm" />
            {picture.paths.ahead && !phone && <text class="title ahead-words" x={width - right + 8} y={panels.lift[0] + 28}>looked ahead</text>}
            <Title phone={phone} x={phone ? left + 4 : width - right + 8} y={panels.cut[0]} name="cut" words="cut, %" />
            <text class="title demand-words" x={phone ? left + 62 : width - right + 8} y={panels.cut[0] + (phone ? 12 : 28)}>demand now</text>
            <Title phone={phone} x={phone ? left + 4 : width - right + 8} y={panels.retard[0]} name="retard" words="retard, °" />
            <text class="row-words" x={left - 6} y={panels.who[0] + 13} text-anchor="end">who</text>
            <text class="row-words" x={left - 6} y={panels.latch[0] + 13} text-anchor="end">latch</text>
            {shownAt != null && <line class="moment-line" x1={x(shownAt)} x2={x(shownAt)} y1={panels.lift[0]} y2={panels.latch[0] + panels.latch[1]} />}
          </g>
        </svg>
      )}
      <p class="reading" aria-hidden="true">
        {shownAt == null ? "Point into the picture to read it off." : reading(result, shownAt)}
        {result.bands.sight.length > 0 && <span class="key sight-key">out of sight</span>}
        {result.bands.fault.length > 0 && <span class="key fault-key">sensor fault</span>}
      </p>
    </div>
  );
}

const Title = ({ x, y, name, words }) => <text class={`title ${name}-words`} x={x} y={y + 12}>{words}</text>;

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
  const [box, width] = useWidth();
  const phone = width < 560;
  const other = disk?.result?.predicted;
  if (predicted.why_not) return <p class="note">{predicted.why_not}</p>;
  const height = 200;
  const x = scaleLinear([0, predicted.until_ms], [44, width - (phone ? 8 : 96)]);
  const most = 1.05 * Math.max(50, ...predicted.with.v, ...predicted.without.v);
  const least = Math.min(0, ...predicted.with.v, ...predicted.without.v);
  const y = scaleLinear([least, most], [height - 42, 12]);
  const draw = trace(x, y);
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
      <div ref={box} class={`chart${stale ? " stale" : ""}`}>
        {width > 0 && (
          <svg width={width} height={height} role="img" aria-label="Predicted lift over time, with this setting and without the controller">
            <g class="axis">
              {y.ticks(4).map((v) => (
                <g key={v} transform={`translate(0 ${y(v)})`}>
                  <line x1="44" x2={x.range()[1]} class="grid" />
                  <text x="38" dy="0.32em" text-anchor="end">{v}</text>
                </g>
              ))}
              {x.ticks(phone ? 4 : 8).map((t) => <text key={t} x={x(t)} y={height - 22} text-anchor="middle">{plain(t / 1000, 2)}</text>)}
              <text x={x.range()[1]} y={height - 5} text-anchor="end">seconds since the launch</text>
            </g>
            <path class="without" d={draw(predicted.without)} />
            {other && <path class="of-disk" d={draw(other.with)} />}
            <path class="foreseen strong" d={draw(predicted.with)} />
            <text class="title foreseen-words" x={phone ? 48 : x.range()[1] + 8} y="24">lift, mm</text>
            <text class="title without-words" x={phone ? 110 : x.range()[1] + 8} y={phone ? 24 : 40}>without</text>
          </svg>
        )}
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
