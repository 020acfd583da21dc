// A canvas for what is only looked at: it is quicker to paint than a document of shapes.
import { useLayoutEffect, useRef } from "preact/hooks";
import { colour } from "../looks.jsx";

const PAPER_RATIO = 3; // dots for each CSS pixel where it is printed
const HATCH = 7; // from line to line

const shown = new Set();

/** Paints all canvases anew: in other colours, or with so many dots for each pixel. */
export function repaint(ratio = devicePixelRatio) {
  for (const paint of shown) paint(ratio);
}
// A window that moves to another screen, or is zoomed.
function sharp() {
  const here = matchMedia(`(resolution: ${devicePixelRatio}dppx)`);
  here.addEventListener("change", () => (repaint(), sharp()), { once: true });
}
sharp();
addEventListener("beforeprint", () => repaint(PAPER_RATIO));
addEventListener("afterprint", () => repaint());

/** `draw(ctx)` paints in CSS pixels; again where one of `of` is another. */
export function Canvas({ width, height, draw, of }) {
  const node = useRef(null);
  useLayoutEffect(() => {
    const paint = (ratio) => {
      const canvas = node.current;
      const [w, h] = [Math.round(width * ratio), Math.round(height * ratio)];
      if (canvas.width !== w) canvas.width = w;
      if (canvas.height !== h) canvas.height = h;
      const ctx = canvas.getContext("2d");
      ctx.setTransform(ratio, 0, 0, ratio, 0, 0);
      ctx.clearRect(0, 0, width, height);
      ctx.save();
      draw(ctx);
      ctx.restore();
    };
    paint(devicePixelRatio);
    shown.add(paint);
    return () => shown.delete(paint);
  }, [width, height, devicePixelRatio, ...of]);
  return <canvas ref={node} class="drawn" style={{ width: `${width}px`, height: `${height}px` }} aria-hidden="true" />;
}

/** A line along places [x, y], with a gap where one is null. */
export function lineOf(places) {
  const path = new Path2D();
  let down = false;
  for (const [x, y] of places) {
    if (y != null) path[down ? "lineTo" : "moveTo"](x, y);
    down = y != null;
  }
  return path;
}

/** What lies between two lines, in pieces where one of them is null. */
export function areaOf(lower, upper) {
  const path = new Path2D();
  let from = 0;
  for (let i = 0; i <= lower.length; i += 1) {
    if (i < lower.length && lower[i][1] != null && upper[i][1] != null) continue;
    if (i - from > 1) {
      const round = [...lower.slice(from, i), ...upper.slice(from, i).reverse()];
      round.forEach(([x, y], n) => path[n ? "lineTo" : "moveTo"](x, y));
      path.closePath();
    }
    from = i + 1;
  }
  return path;
}

export function fill(ctx, path, name) {
  ctx.fillStyle = colour(name);
  ctx.fill(path);
}

/** Strokes with a look [colour, width, dash, cap]. */
export function stroke(ctx, path, [name, width, dash = [], cap = "butt"]) {
  ctx.strokeStyle = colour(name);
  ctx.lineWidth = width;
  ctx.lineCap = cap;
  ctx.setLineDash(dash);
  ctx.stroke(path);
}

/** Slanting lines inside a path, within a box [left, top, right, bottom]. */
export function hatch(ctx, path, [left, top, right, bottom]) {
  const lines = new Path2D();
  const step = HATCH * Math.SQRT2;
  for (let at = Math.ceil((left + top) / step) * step; at < right + bottom; at += step) {
    lines.moveTo(at - top, top);
    lines.lineTo(at - bottom, bottom);
  }
  ctx.save();
  ctx.clip(path);
  stroke(ctx, lines, ["hatch", 0.7]);
  ctx.restore();
}
