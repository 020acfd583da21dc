// Columns of whole numbers over an axis: unpacked, read, and thinned to what a width of pixels can show.

export const NONE = -(2 ** 30); // stands for a place with no value
const BLOCK = 64; // numbers whose least and greatest are remembered, for wide views

export const clamp = (v, low, high) => Math.max(low, Math.min(high, v));

/** With so many decimals, and no sign before a zero. */
export const fixed = (value, decimals) => value.toFixed(decimals).replace(/^-(?=[0.]*$)/, "");

/** Whether two pieces of plain data say the same. */
export function sameData(a, b) {
  if (a === b) return true;
  if (typeof a !== "object" || typeof b !== "object" || a === null || b === null) return false;
  if (Array.isArray(a)) return a.length === b.length && a.every((one, i) => one === b[i] || sameData(one, b[i]));
  const keys = Object.keys(a);
  return keys.length === Object.keys(b).length && keys.every((key) => sameData(a[key], b[key]));
}

/** The bytes that stand in the page under a key, deflated and in base64; they are there once. */
export async function inflate(key) {
  const packed = document.getElementById(`data-${key}`);
  const text = atob(packed.textContent);
  packed.remove();
  const bytes = new Uint8Array(text.length);
  for (let i = 0; i < text.length; i++) bytes[i] = text.charCodeAt(i);
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

/** Fills in `values` of a column whose packed numbers stand in the page. */
export async function unpack(column) {
  const planes = await inflate(column.key);
  const { n, width, least, most } = column;
  const small = !column.gaps && least >= 0 && most < 256;
  const middle = !column.gaps && least >= -32768 && most < 32768;
  const values = new (small ? Uint8Array : middle ? Int16Array : Int32Array)(n);
  let value = 0;
  for (let i = 0; i < n; i++) {
    let folded = planes[i];
    if (width > 1) folded |= planes[n + i] << 8;
    if (width > 2) folded |= (planes[2 * n + i] << 16) | (planes[3 * n + i] << 24);
    value = (value + ((folded >>> 1) ^ -(folded & 1))) | 0;
    values[i] = value;
  }
  column.values = values;
}

/** The number of a column at a place, as it is shown. */
export function shownNumber(column, i) {
  const v = column.values[i];
  if (column.gaps && v === NONE) return "–";
  if (column.words[v] !== undefined) return column.words[v];
  return fixed(v / column.per, column.decimals) + (column.unit ? `\u202f${column.unit}` : "");
}

/** [least, greatest] of the numbers [from, to) of a column; [Infinity, -Infinity] where all are gaps. */
function plainExtremes({ values, gaps }, from, to) {
  let low = Infinity;
  let high = -Infinity;
  for (let i = from; i < to; i++) {
    const v = values[i];
    if (gaps && v === NONE) continue;
    if (v < low) low = v;
    if (v > high) high = v;
  }
  return [low, high];
}

/** The least and the greatest of each whole block, worked out once. */
function blocksOf(column) {
  if (column.blocks) return column.blocks;
  const count = Math.floor(column.values.length / BLOCK);
  const [low, high] = (column.blocks = [new Float64Array(count), new Float64Array(count)]);
  for (let b = 0; b < count; b++) [low[b], high[b]] = plainExtremes(column, b * BLOCK, (b + 1) * BLOCK);
  return column.blocks;
}

function extremes(column, from, to) {
  const first = Math.ceil(from / BLOCK);
  const last = Math.floor(to / BLOCK);
  if (last - first < 2) return plainExtremes(column, from, to);
  const [lows, highs] = blocksOf(column);
  const [before, after] = [plainExtremes(column, from, first * BLOCK), plainExtremes(column, last * BLOCK, to)];
  let low = Math.min(before[0], after[0]);
  let high = Math.max(before[1], after[1]);
  for (let b = first; b < last; b++) {
    if (lows[b] < low) low = lows[b];
    if (highs[b] > high) high = highs[b];
  }
  return [low, high];
}

/** Where the numbers of a series lie: evenly, or along a rising column. */
export class Axis {
  constructor(series) {
    this.first = series.first;
    this.step = series.step; // from one number to the next, where they are closest
    const columns = Object.values(series.columns);
    this.along = series.along ? series.columns[series.along] : null;
    this.n = columns.length ? columns[0].values.length : 0;
  }
  at(i) {
    if (!this.along) return this.first + i * this.step;
    return this.first + this.along.values[clamp(i, 0, this.n - 1)] / this.along.per;
  }
  /** The last index at or before x, -1 before the first. */
  before(x) {
    if (!this.along) return Math.floor((x - this.first) / this.step + 1e-6);
    let low = 0;
    let high = this.n;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.at(middle) <= x) low = middle + 1;
      else high = middle;
    }
    return low - 1;
  }
  nearest(x) {
    const i = clamp(this.before(x), 0, this.n - 1);
    const j = Math.min(i + 1, this.n - 1);
    return Math.abs(this.at(j) - x) < Math.abs(x - this.at(i)) ? j : i;
  }
  covers(x) {
    return this.n > 0 && x >= this.at(0) - this.step && x <= this.at(this.n - 1) + this.step;
  }
  range(a, b) {
    return [clamp(this.before(a) - 1, 0, this.n - 1), clamp(this.before(b) + 2, 0, this.n - 1)];
  }
}

/** How many numbers to take at a time, so that not more than `room` are left. */
export function stride(count, room) {
  let step = 1;
  while (count / step > room) step *= 2;
  return step;
}

/** What to draw of a column over [a, b] in `room` pixels: every number where there is room, else the least and the
    greatest of each few. Places count from `zero`; a gap is null. */
export function thinned(axis, column, a, b, zero, room) {
  const [i0, i1] = axis.range(a, b);
  const count = i1 - i0 + 1;
  const step = stride(count, room);
  const x = [];
  const y = [];
  let low = Infinity;
  let high = -Infinity;
  const add = (place, v) => {
    x.push(axis.at(place) - zero);
    if (!Number.isFinite(v) || (column.gaps && v === NONE)) return y.push(null);
    const value = v / column.per;
    if (value < low) low = value;
    if (value > high) high = value;
    return y.push(value);
  };
  if (step === 1) for (let i = i0; i <= i1; i++) add(i, column.values[i]);
  else {
    for (let i = Math.floor(i0 / step) * step; i <= i1; i += step) {
      const end = Math.min(i + step, axis.n);
      const [least, most] = extremes(column, i, end);
      const falls = column.values[i] > column.values[end - 1];
      add(i, falls ? most : least);
      add(i + step / 2, falls ? least : most);
    }
  }
  return { x, y, low, high, exact: step === 1, count };
}
