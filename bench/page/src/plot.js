// One plot: uPlot with the scales, grid and colours of these pages. What is drawn on it is its owner's.
import uPlot from "uplot";
import { clamp, fixed } from "./columns.js";
import { colour } from "./looks.jsx";

export const LEFT = 66; // pixels for the scale
export const RIGHT = 14;
const FONT = "14px system-ui, 'DejaVu Sans', sans-serif";

/** All plots on the page: { plot, stage, pen? }, where pen draws onto a printed copy what lies over the plot. */
export const plots = new Set();

/** The labels of a scale: as many decimals as its steps need. */
function labels(_, splits) {
  const texts = splits.map((v) => String(Number(v.toFixed(9))));
  const decimals = Math.max(0, ...texts.map((text) => text.split(".")[1]?.length ?? 0));
  return splits.map((v) => fixed(v, decimals).replace("-", "−"));
}

const soft = () => colour("soft");
const side = ({ names, label, grid = true, bare = false, font = FONT }, size, count) => ({
  stroke: () => colour("ink"),
  font,
  size,
  gap: 4,
  border: { show: true, stroke: soft, width: 1 },
  ticks: { show: !bare, stroke: soft, width: 1, size: 5 },
  grid: { show: grid, stroke: () => colour("grid"), width: 1 },
  ...(label && { label, labelFont: FONT.replace("14", "15"), labelSize: 22, labelGap: 2 }),
  space: (_, __, ___, ____, length) => length / count,
  ...(names ? { splits: () => [...names.keys()], values: (_, splits) => splits.map((v) => names.get(v)) } : { values: bare ? (_, splits) => splits.map(() => "") : labels }),
});

/** Makes a plot in `place`. `x` and `y` are { range(), names, label, grid, bare }: range gives what is shown, names (a
    Map) the only values that are labelled. `series` are uPlot's; `under` and `over` draw before and after them. */
export function makePlot(place, { width, height, x, y, series = [], data, under, over }) {
  const drawn = (draw) => (draw ? [(u) => inside(u, draw)] : []);
  const rows = y.names ? 1 : clamp(Math.round(height / 25), 3, 7);
  const plot = new uPlot({
    width,
    height,
    padding: [6, RIGHT, 0, 0],
    legend: { show: false },
    cursor: { show: false },
    select: { show: false },
    scales: { x: { time: false, range: x.range }, y: { range: y.range } },
    axes: [side(x, x.bare ? 6 : 26, innerWidth < 640 ? 4 : 8), side(y, LEFT, rows)],
    series: [{}, ...series],
    hooks: { drawClear: drawn(under), draw: drawn(over) },
  }, data, place); // prettier-ignore
  plot.over.classList.add("glass");
  return plot;
}

/** Runs what draws onto the canvas, kept inside the frame, with uPlot's own settings put back afterwards. */
function inside(u, draw) {
  const { ctx, bbox } = u;
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
  draw(u, ctx, devicePixelRatio);
  ctx.restore();
}

/** Draws a plot anew at once, rather than in a moment. */
export const redraw = (plot) => plot.batch(() => plot.redraw(true, true));

/** A picture of a plot as it is, for paper. */
export function pictureOf({ plot, pen }) {
  const { canvas } = plot.ctx;
  const copy = document.createElement("canvas");
  copy.width = canvas.width;
  copy.height = canvas.height;
  const ctx = copy.getContext("2d");
  ctx.drawImage(canvas, 0, 0);
  pen?.(ctx);
  return copy.toDataURL();
}
