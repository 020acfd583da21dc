// How lines, bars and points look, on a canvas and as samples in a legend. No two differ by colour alone.

const SAMPLE = { width: 34, height: 16 };
const colours = new Map();

/** A colour of the style sheet as it is now. */
export function colour(name) {
  if (!colours.has(name)) colours.set(name, getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim());
  return colours.get(name);
}
/** To be called when the scheme has changed. */
export const forgetColours = () => colours.clear();

// colour, width, dash, fill down to 0
export const LOOKS = {
  main: ["ink", 2.4, []],
  second: ["blue", 1.7, [9, 3]],
  third: ["green", 1.7, [3, 3]],
  fourth: ["purple", 1.7, [10, 3, 2, 3]],
  pale: ["pale", 1.2, []],
  thin: ["ink", 1.1, []],
  limit: ["orange", 1.6, []],
  "limit-dashed": ["orange", 1.6, [8, 4]],
  "limit-dotted": ["orange", 1.8, [2, 4]],
  "limit-long": ["orange", 1.6, [16, 5]],
  "limit-mixed": ["orange", 1.6, [10, 3, 2, 3]],
  "limit-pairs": ["orange", 1.8, [2, 3, 2, 9]],
  fill: ["pale", 1, [], "fill"],
  dots: ["blue", 0, []],
  "run-0": ["ink", 2.4, []],
  "run-1": ["blue", 2, [9, 4]],
  "run-2": ["orange", 2, [3, 3]],
  "run-3": ["green", 2, [12, 3, 3, 3]],
  "run-4": ["purple", 1.4, []],
  "run-5": ["brown", 1.4, [6, 6]],
  line: ["ink", 1.8, []],
  "line-dashed": ["orange", 1.8, [8, 4]],
};

// fill, hatch
export const BARS = {
  solid: ["soft", ""], slash: ["bar-2", "/"], plain: ["bar-1", ""], cross: ["bar-3", "x"], dot: ["bar-4", "."],
  back: ["bar-3", "\\"], dash: ["bar-2", "-"], pipe: ["bar-4", "|"], plus: ["bar-1", "+"], vee: ["bar-2", "v"],
};

// marker, size, colour, filled
export const MARKS = {
  pale: ["circle", 5, "pale", false],
  solid: ["circle", 7, "soft", true],
  chosen: ["star", 20, "ink", true],
  cross: ["x", 13, "blue", true],
  square: ["square", 11, "orange", true],
  "run-0": ["circle", 8, "ink", true],
  "run-1": ["triangle", 9, "blue", true],
  "run-2": ["square", 8, "orange", true],
  "run-3": ["diamond", 10, "green", true],
  "run-4": ["circle", 9, "purple", false],
  "run-5": ["square", 9, "brown", false],
  line: ["", 0, "ink", true],
  "line-dashed": ["", 0, "orange", true],
};

// Markers about the middle of a box of 2 by 2.
const MARKERS = {
  circle: "M-1 0a1 1 0 1 0 2 0a1 1 0 1 0 -2 0Z",
  square: "M-1 -1H1V1H-1Z",
  triangle: "M-1 .8L1 .8L0 -1Z",
  diamond: "M0 -1.2L1 0L0 1.2L-1 0Z",
  x: "M-.8 -.8L.8 .8M.8 -.8L-.8 .8",
  star: "M0 -1L.25 -.3L1 -.3L.4 .15L.6 .9L0 .45L-.6 .9L-.4 .15L-1 -.3L-.25 -.3Z",
};

// Hatches in a tile of 9 by 9 that repeats.
const TILE = 9;
const HATCHES = {
  "/": "M-1 1L1 -1M0 9L9 0M8 10L10 8",
  "\\": "M-1 8L1 10M0 0L9 9M8 -1L10 1",
  x: "M-1 1L1 -1M0 9L9 0M8 10L10 8M-1 8L1 10M0 0L9 9M8 -1L10 1",
  "-": "M0 4.5H9",
  "|": "M4.5 0V9",
  "+": "M0 4.5H9M4.5 0V9",
  ".": "M3.5 4.5H5.5M4.5 3.5V5.5",
  v: "M1 2L4.5 7L8 2",
};

const paint = (name) => `fill: var(--${name})`;
const stroke = (name) => `stroke: var(--${name}); fill: none`;
const Sample = ({ children }) => <svg {...SAMPLE} aria-hidden="true">{children}</svg>;

export function LineSample({ look, looks = LOOKS }) {
  const [name, width, dash, fill] = looks[look];
  if (fill) return <Sample><rect x="2" y="2" width="30" height="12" style={`${paint(fill)}; stroke: var(--${name})`} /></Sample>;
  if (!width) return <Sample>{[5, 13, 21, 29].map((x) => <circle key={x} cx={x} cy="8" r="2.2" style={paint(name)} />)}</Sample>;
  return <Sample><line x1="1" y1="8" x2="33" y2="8" stroke-width={width} stroke-dasharray={dash.join(" ")} style={stroke(name)} /></Sample>;
}

export function MarkSample({ look }) {
  const [marker, , name, filled] = MARKS[look];
  if (!marker) return <LineSample look={look} />;
  const style = filled && marker !== "x" ? paint(name) : `${stroke(name)}; stroke-width: ${marker === "x" ? 0.5 : 0.35}`;
  return <Sample><path d={MARKERS[marker]} transform={`translate(17 8) scale(${marker === "star" ? 8 : 5})`} style={style} /></Sample>;
}

export function BarSample({ bar, bars = BARS }) {
  const [name, hatch] = bars[bar];
  return (
    <Sample>
      <rect x="2" y="2" width="30" height="12" style={`${paint(name)}; stroke: var(--soft)`} />
      {hatch && [3, 12, 21].map((x) => <path key={x} d={HATCHES[hatch]} transform={`translate(${x} 3.5)`} style={`${stroke("ink")}; stroke-width: 1.2`} />)}
    </Sample>
  );
}

export const FiredSample = () => <Sample><line x1="17" y1="2" x2="17" y2="14" stroke-width="2" style={stroke("ink")} /></Sample>;
export const SkippedSample = () => (
  <Sample>
    <rect x="11" y="2" width="12" height="12" style="fill: var(--bar-3); stroke: var(--ink)" />
    <path d="M11 2L23 14M23 2L11 14" style={stroke("ink")} />
  </Sample>
);
export const ShareSample = () => <Sample><rect x="8" y="6" width="18" height="8" style={paint("orange")} /></Sample>;

const patterns = new Map();

function hatchOf(ctx, hatch, ratio) {
  const ink = colour("ink");
  const key = `${hatch} ${ink} ${ratio}`;
  if (!patterns.has(key)) {
    const tile = new OffscreenCanvas(Math.round(TILE * ratio), Math.round(TILE * ratio));
    const pen = tile.getContext("2d");
    pen.scale(tile.width / TILE, tile.height / TILE);
    pen.strokeStyle = ink;
    pen.lineWidth = hatch === "." ? 1.6 : 1;
    pen.stroke(new Path2D(HATCHES[hatch]));
    patterns.set(key, ctx.createPattern(tile, "repeat"));
  }
  return patterns.get(key);
}

/** Fills a rectangle of the canvas as a bar, with its edge. */
export function drawBar(ctx, [fill, hatch], x, y, width, height, ratio) {
  ctx.fillStyle = colour(fill);
  ctx.fillRect(x, y, width, height);
  if (hatch) {
    ctx.fillStyle = hatchOf(ctx, hatch, ratio);
    ctx.fillRect(x, y, width, height);
  }
  ctx.strokeStyle = colour("soft");
  ctx.lineWidth = ratio;
  ctx.strokeRect(x, y, width, height);
}

/** Draws a marker with its middle at a place of the canvas. */
export function drawMark(ctx, look, x, y, ratio) {
  const [marker, size, name, filled] = MARKS[look];
  const scale = (size / 2) * ratio;
  ctx.setTransform(scale, 0, 0, scale, x, y);
  ctx.lineWidth = ((marker === "x" ? 3 : 1.4) * ratio) / scale;
  const path = new Path2D(MARKERS[marker]);
  if (marker !== "x") {
    ctx.fillStyle = colour(filled ? name : "paper");
    ctx.fill(path);
  }
  ctx.strokeStyle = colour(name);
  ctx.stroke(path);
  ctx.setTransform(1, 0, 0, 1, 0, 0);
}

/** Strokes from point to point with a look's line. */
export function drawLine(ctx, [name, width, dash], points, ratio) {
  ctx.strokeStyle = colour(name);
  ctx.lineWidth = width * ratio;
  ctx.setLineDash(dash.map((length) => length * ratio));
  ctx.beginPath();
  let down = false;
  for (const [x, y] of points) {
    const known = Number.isFinite(x) && Number.isFinite(y);
    if (known) ctx[down ? "lineTo" : "moveTo"](x, y);
    down = known;
  }
  ctx.stroke();
  ctx.setLineDash([]);
}
