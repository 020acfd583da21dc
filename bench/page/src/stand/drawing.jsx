// The car from the side over its track; its nose is the handle.
import { useRef } from "preact/hooks";
import { clamp } from "../columns.js";

const GROUND = 262;
const REAR = { x: 130, y: 214, r: 48 };
const FRONT = { x: 340, y: 24, r: 24 }; // from the rear axle
const REST_Y = REAR.y + FRONT.y;
const TALL = 172; // of the whole range of lifts
const NARROW = 640;
const GAP = 19; // from label to label
const REACH = Math.hypot(FRONT.x, FRONT.y);

/** Keeps labels apart, from below upwards: [{ y, ... }] with `at` where each is written. */
function apart(marks) {
  let last = Infinity;
  return [...marks].sort((a, b) => b.y - a.y).map((one) => ({ ...one, at: (last = Math.min(one.y, last - GAP)) }));
}

export function Drawing({ bench, changed }) {
  const box = useRef(null);
  const left = innerWidth < NARROW ? 235 : 0; // a phone shows the front of the car, the larger for it
  const k = TALL / bench.mostLift;
  const yOf = (lift) => REST_Y - lift * k;
  const { now, ceilings, nose } = bench;
  const angle = Math.asin(clamp((FRONT.y - nose * k) / REACH, -1, 1)) - Math.atan2(FRONT.y, FRONT.x);
  const hub = { x: REAR.x + REACH * Math.cos(Math.atan2(FRONT.y, FRONT.x) + angle), y: yOf(nose) };
  const mm = (sixteenths) => Math.round(sixteenths / 16);
  const marks = [
    ["retard", ceilings.retard, "retard from"], ["cut", ceilings.reduction, "cut from"], ["full", ceilings.full, "cut full"],
    ["end", 16 * bench.farLift, "sees to"],
  ].filter(([, at]) => at !== null).map(([name, at, text]) => ({ name, y: yOf(at / 16), text: `${text} ${mm(at)}` })); // prettier-ignore

  const hold = (lift) => {
    bench.hand = clamp(lift, 0, bench.mostLift);
    changed();
  };
  const follow = (event) => {
    const { top, height } = box.current.getBoundingClientRect();
    hold((REST_Y - (((event.clientY - top) / height) * 300 - 10)) / k);
  };
  const down = (event) => {
    if (event.button !== 0 || bench.watched) return;
    box.current.setPointerCapture(event.pointerId);
    follow(event);
  };
  const moved = (event) => box.current.hasPointerCapture(event.pointerId) && follow(event);
  const key = (event) => {
    const to = {
      ArrowUp: bench.hand + 5, ArrowRight: bench.hand + 5, ArrowDown: bench.hand - 5, ArrowLeft: bench.hand - 5,
      PageUp: bench.hand + 40, PageDown: bench.hand - 40, Home: 0, End: bench.mostLift,
    }[event.key]; // prettier-ignore
    if (to === undefined || bench.watched) return;
    event.preventDefault();
    hold(to);
  };
  return (
    <div class="stage-car" ref={box} role="slider" tabindex="0" aria-label="Lift of the nose" aria-orientation="vertical"
      aria-valuemin="0" aria-valuemax={Math.round(bench.mostLift)} aria-valuenow={Math.round(bench.watched ? bench.nose : bench.hand)}
      aria-readonly={bench.watched ? "true" : undefined} aria-valuetext={`${Math.round(bench.watched ? bench.nose : bench.hand)} mm`} onPointerDown={down} onPointerMove={moved} onKeyDown={key}>
      <svg viewBox={`${left} -10 ${740 - left} 300`} aria-hidden="true">
        <rect class="track" x="0" y={GROUND} width="740" height="28" />
        {apart(marks).map(({ name, y, at, text }) => (
          <g key={name} class={`mark-${name}`}>
            <path d={`M330 ${y}H560L574 ${at}`} />
            <text x="580" y={at + 5}>{text}</text>
          </g>
        ))}
        <g transform={`rotate(${(angle * 180) / Math.PI} ${REAR.x} ${REAR.y})`}>
          <path class="bars" d="M92 226L20 250M20 250h-8M60 190V160H20V150H70" />
          <path class="body" d="M62 210C60 176 96 158 150 152L196 132C220 120 262 120 286 140L322 168L500 208C536 216 548 228 544 236L440 244H70Z" />
          <path class="window" d="M206 142C224 130 256 130 274 146L296 166H190Z" />
          <circle class="tyre" cx={REAR.x + FRONT.x} cy={REST_Y} r={FRONT.r} />
          <circle class="rim" cx={REAR.x + FRONT.x} cy={REST_Y} r="9" />
        </g>
        <circle class="tyre" cx={REAR.x} cy={REAR.y} r={REAR.r} />
        <circle class="rim" cx={REAR.x} cy={REAR.y} r="20" />
        <path class="height" d={`M${hub.x} ${REST_Y}V${hub.y}`} />
        {!bench.watched && <circle class="grip" cx={hub.x} cy={hub.y} r="13" />}
        {!bench.watched && <path class="grip-sign" d={`M${hub.x - 5} ${hub.y - 2}l5 -5l5 5M${hub.x - 5} ${hub.y + 2}l5 5l5 -5`} />}
        <text class="lift-now" x={left + 20} y="34">{`${mm(now.lift)} mm`}</text>
        <text class="lift-note" x={left + 20} y="56">lift as the controller has it</text>
      </svg>
    </div>
  ); // prettier-ignore
}
