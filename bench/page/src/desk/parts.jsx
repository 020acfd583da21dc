// Small things that several parts of the page use.
import { useEffect, useMemo, useRef, useState } from "preact/hooks";
import { sameData } from "../columns.js";

export const digitsOf = (step) => Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
export const clamp = (value, low, high) => Math.min(high, Math.max(low, value));
export const toStep = (value, step) => Number((Math.round(value / step) * step).toFixed(digitsOf(step)));
/** The look of the run at a place among those that lie over the chosen one. */
export const lookOf = (place) => `run-${place + 1}`;
export const plain = (value, digits = 1) => Number(value.toFixed(digits)).toString();

// The width that an element has, in CSS pixels.
export function useWidth() {
  const [box, setBox] = useState(null); // none while the element is not drawn
  const [width, setWidth] = useState(0);
  useEffect(() => {
    if (!box) return undefined;
    const watch = new ResizeObserver(([entry]) => setWidth(Math.floor(entry.contentRect.width)));
    watch.observe(box);
    return () => watch.disconnect();
  }, [box]);
  return [setBox, width];
}

// The height of the window, in CSS pixels.
export function useWindowHeight() {
  const [height, setHeight] = useState(innerHeight);
  useEffect(() => {
    const resized = () => setHeight(innerHeight);
    addEventListener("resize", resized);
    return () => removeEventListener("resize", resized);
  }, []);
  return height;
}

const LETTER = 8.3; // px, of the widest letters that labels have
const LINE = 15;

// Places for texts that must not lie on one another or on `taken` boxes [left, top, right, bottom]. Each text has `spots`
// [x, y, anchor], best first; one that `may` be left out is, where none is free. Gives key -> spot.
export function placed(texts, taken, [x0, y0, x1, y1]) {
  const boxes = [...taken];
  const found = {};
  for (const { key, text, spots, may } of texts) {
    const boxOf = ([x, y, anchor]) => {
      const wide = LETTER * text.length;
      const left = anchor === "start" ? x : anchor === "end" ? x - wide : x - wide / 2;
      return [left, y - LINE / 2, left + wide, y + LINE / 2];
    };
    const free = ([l, t, r, b]) =>
      l >= x0 && r <= x1 && t >= y0 && b <= y1 && !boxes.some(([bl, bt, br, bb]) => l < br && r > bl && t < bb && b > bt);
    const spot = spots.find((one) => free(boxOf(one))) ?? (may ? null : spots[0]);
    if (!spot) continue;
    found[key] = spot;
    boxes.push(boxOf(spot));
  }
  return found;
}

/** A value as it was before, as long as it says the same: what is drawn from it needs not be drawn anew. */
export function useSame(value) {
  const held = useRef(value);
  if (!sameData(held.current, value)) held.current = value;
  return held.current;
}

/** Draws `children()` anew only where `of`, plain data, says something else. */
export function Steady({ of, children }) {
  const same = useSame(of);
  return useMemo(children, [same]);
}

// The last index whose place is at or before `at`, in a rising list.
export function before(list, at) {
  let low = 0;
  let high = list.length - 1;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (list[middle] <= at) low = middle;
    else high = middle - 1;
  }
  return low;
}

// A curve's value at a time: straight between points, or held from the last one on.
export function valueAt(curve, t, held) {
  const i = before(curve.t, t);
  const next = curve.v[i + 1];
  if (held || next == null || curve.v[i] == null || t <= curve.t[i]) return curve.v[i];
  return curve.v[i] + ((next - curve.v[i]) * (t - curve.t[i])) / (curve.t[i + 1] - curve.t[i]);
}

// Places for labels that would lie on one another: pushed apart to `gap`, kept in `low`..`high`.
export function apart(places, gap, low, high) {
  const order = places.map((y, i) => [y, i]).sort((a, b) => a[0] - b[0]);
  const y = order.map(([place]) => clamp(place, low, high));
  for (let turn = 0; turn < 8; turn += 1) {
    for (let i = 1; i < y.length; i += 1) {
      const over = gap - (y[i] - y[i - 1]);
      if (over > 0) {
        y[i - 1] = Math.max(low, y[i - 1] - over / 2);
        y[i] = Math.min(high, y[i] + over / 2);
      }
    }
  }
  const found = [];
  order.forEach(([, i], rank) => (found[i] = y[rank]));
  return found;
}

// A number that a person types: taken while it is one, shown as it is when the field is left.
export function NumberField({ value, step, label, onSet, disabled, min, max }) {
  const [typed, setTyped] = useState(null);
  // What was typed stays as it was typed, until undo or another page sets another number.
  const own = typed != null && (typed === "" || Number(typed) === value);
  return (
    <input
      type="number"
      inputMode="decimal"
      step={step}
      min={min}
      max={max}
      disabled={disabled}
      aria-label={label}
      value={own ? typed : value}
      onInput={(event) => {
        setTyped(event.currentTarget.value);
        const number = event.currentTarget.valueAsNumber;
        if (Number.isFinite(number)) onSet(number, event.timeStamp);
      }}
      onBlur={() => setTyped(null)}
    />
  );
}
