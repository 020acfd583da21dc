// Panels one above the other over one axis, with one view and one cursor: by mouse, touch and keys.
import { useLayoutEffect, useReducer, useRef } from "preact/hooks";
import { Axis, clamp, fixed, sameData } from "./columns.js";
import { BARS, LOOKS } from "./looks.jsx";
import { PARTS } from "./panels.jsx";
import { LEFT, RIGHT } from "./plot.js";

const LEAST_STEPS = 8; // of the finest axis, in the closest view
const DRAGGED_PX = 5; // a shorter drag is a click

/** The series that a panel draws from. */
const ofPanel = ({ panels, series }, number) => (panels[number].lines ?? panels[number].rows ?? []).map((one) => series[one.series]);

export class Strip {
  /** `spec` is a strip as `bench.document` writes it, its columns unpacked. In one that is `free` the cursor stands
      anywhere and the legends say no numbers, since its columns have not all of them; `axis_label` is written below. */
  constructor(spec, { looks = LOOKS, bars = BARS } = {}) {
    Object.assign(this, { looks, bars, mark: null, drag: null, width: 0, changed: () => {} });
    this.touches = new Map();
    this.take(spec);
    this.cursor = spec.cursor;
    this.parts = spec.panels.map((panel, number) => new PARTS[panel.kind](this, number));
  }

  take(spec) {
    this.spec = spec;
    this.series = spec.series;
    this.axes = {};
    this.from = Infinity;
    this.until = -Infinity;
    this.fine = Infinity;
    for (const [name, one] of Object.entries(this.series)) {
      const axis = (this.axes[name] = new Axis(one));
      if (!axis.n) continue;
      this.from = Math.min(this.from, axis.at(0));
      this.until = Math.max(this.until, axis.at(axis.n - 1));
      this.fine = Math.min(this.fine, axis.step);
    }
    this.view = this.within(...spec.view);
  }

  /** Shows another strip with the same kinds of panels in the place of this one; panels in which nothing is new stay.
      For the same strip `touched` has the columns whose numbers are new, and `events` says whether those of events are. */
  update(spec, touched = null, events = true) {
    const { view } = this;
    const before = this.spec;
    const [a, b] = before.view;
    this.take(spec);
    if (a === spec.view[0] && b === spec.view[1]) this.view = this.within(...view); // still zoomed in as it was
    const moved = view[0] !== this.view[0] || view[1] !== this.view[1];
    for (const part of this.parts) {
      const { number } = part;
      part.stays = !moved && (spec === before
        ? touched !== null && !part.touched(touched, events)
        : sameData([before.panels[number], ofPanel(before, number)], [spec.panels[number], ofPanel(spec, number)])); // prettier-ignore
      part.take(part.stays);
      if (part.plot && part.shape !== part.shapeNow()) part.mount();
    }
    if (this.width) this.draw();
    for (const part of this.parts) part.stays = false;
  }

  /** Draws it in an element that holds the places of its panels; gives what takes it away again. */
  mount(box, changed) {
    this.changed = changed;
    this.width = box.clientWidth;
    const [a, b] = this.view;
    const { at } = this.zero();
    this.shown = [a - at, b - at];
    for (const part of this.parts) {
      part.work(a, b, at);
      part.mount();
    }
    this.overlay();
    changed();
    const resized = new ResizeObserver(() => {
      if (box.clientWidth && box.clientWidth !== this.width) {
        this.width = box.clientWidth;
        this.soon();
      }
    });
    resized.observe(box);
    return () => {
      resized.disconnect();
      for (const part of this.parts) part.unmount();
    };
  }

  /** Pixels across the frame. */
  get room() {
    return Math.max(200, this.width - LEFT - RIGHT);
  }

  within(a, b) {
    const whole = this.until - this.from || 1;
    const span = clamp(b - a, Math.min(whole, LEAST_STEPS * this.fine), whole);
    const start = clamp((a + b - span) / 2, this.from, this.until - span);
    return [start, start + span];
  }

  /** Where the seconds of the view count from, and what they are called. */
  zero() {
    const [a, b] = this.view;
    const { zeros } = this.spec;
    const inside = zeros.filter((zero) => zero.at >= a && zero.at <= b);
    if (!zeros.length || inside.length > 1) return { at: 0, label: this.spec.axis };
    const before = zeros.filter((zero) => zero.at <= b);
    return before.length ? before[before.length - 1] : zeros[0];
  }

  /** The view or the cursor in words. */
  get where() {
    const zero = this.zero();
    const d = this.spec.decimals;
    const at = (x) => fixed(x - zero.at, d);
    const named = (text) => (d ? `${text} ${zero.label}` : `${zero.label} ${text}`); // 0.737 s, tick 2197
    const [a, b] = this.view;
    return this.cursor === null ? named(`${at(a)} to ${at(b)}`) : `At ${named(at(this.cursor))}`;
  }

  go(a, b) {
    this.view = this.within(a, b);
    this.soon();
  }

  soon() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => {
      this.waiting = false;
      this.draw();
    });
  }

  draw() {
    const [a, b] = this.view;
    const { at } = this.zero();
    this.shown = [a - at, b - at];
    for (const part of this.parts) {
      if (!part.plot || part.stays) continue;
      if (part.seen) part.draw(a, b, at);
      else part.late = true; // drawn as soon as it is looked at
    }
    this.overlay();
    this.changed();
  }

  /** Draws what was put off, of one panel or of all. */
  catchUp(parts = this.parts) {
    const late = parts.filter((part) => part.late && part.plot);
    for (const part of late) part.draw(...this.view, this.zero().at);
    if (late.length) this.changed();
  }

  overlay() {
    for (const part of this.parts) if (part.plot) part.overlay(this.view, this.cursor, this.drag ?? this.mark);
  }

  /** Puts the cursor on the number next to a place, or just there where the strip's places are `free`. */
  setCursor(x) {
    const axis = !this.spec.free && Object.values(this.axes).find((one) => one.n);
    const inside = clamp(x, this.from, this.until);
    this.show(axis ? axis.at(axis.nearest(inside)) : inside);
  }

  /** Puts the cursor exactly there, or takes it away. */
  show(x) {
    if (x === this.cursor) return;
    this.cursor = x;
    this.overlay();
    this.changed();
  }

  zoom(factor, x) {
    const [a, b] = this.view;
    const held = x ?? (this.cursor !== null && this.cursor >= a && this.cursor <= b ? this.cursor : (a + b) / 2);
    this.go(held - (held - a) * factor, held + (b - held) * factor);
  }

  move(share) {
    const [a, b] = this.view;
    this.go(a + share * (b - a), b + share * (b - a));
  }

  jump(start, stop, at, mark) {
    this.view = this.within(start, stop);
    this.mark = mark;
    this.setCursor(at);
    this.soon();
  }

  do(what) {
    if (what === "in") this.zoom(0.5);
    else if (what === "out") this.zoom(2);
    else if (what === "left") this.move(-0.5);
    else if (what === "right") this.move(0.5);
    else if (what === "all") this.go(this.from, this.until);
    else this.go(...this.spec.view);
  }

  key(event) {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const [a, b] = this.view;
    const step = Math.max(this.fine, (b - a) / this.room) * (event.shiftKey ? 10 : 1);
    const from = this.cursor ?? (a + b) / 2;
    const walk = (x) => {
      this.setCursor(x);
      if (this.cursor < a || this.cursor > b) this.go(this.cursor - (b - a) / 2, this.cursor + (b - a) / 2);
    };
    const clear = () => {
      this.mark = null;
      this.overlay();
    };
    const does = {
      ArrowLeft: () => walk(from - step), ArrowRight: () => walk(from + step), Home: () => walk(a), End: () => walk(b),
      PageUp: () => this.move(-0.8), PageDown: () => this.move(0.8), "+": () => this.do("in"), "=": () => this.do("in"),
      "-": () => this.do("out"), 0: () => this.do("first"), Escape: clear,
    }[event.key]; // prettier-ignore
    if (!does) return;
    event.preventDefault();
    does();
  }

  /** Listens to mouse and fingers over a panel. */
  point(part) {
    const glass = part.plot.over;
    const at = (event) => this.placeOf(glass, event.clientX);
    let from = null;
    glass.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      glass.setPointerCapture(event.pointerId);
      if (event.pointerType === "touch") {
        this.touches.set(event.pointerId, event.clientX);
        if (this.touches.size === 1) this.setCursor(at(event));
      } else from = { x: at(event), pixel: event.clientX, view: this.view, moves: event.shiftKey };
    });
    glass.addEventListener("pointermove", (event) => {
      if (event.pointerType === "touch") this.touch(event, glass);
      else if (!from) this.setCursor(at(event));
      else if (from.moves) {
        const [a, b] = from.view;
        const by = ((from.pixel - event.clientX) / part.width) * (b - a);
        this.go(a + by, b + by);
      } else {
        const x = clamp(at(event), ...this.view);
        this.drag = [Math.min(x, from.x), Math.max(x, from.x)];
        this.setCursor(x);
      }
    });
    const end = (event) => {
      this.touches.delete(event.pointerId);
      if (!from) return;
      const dragged = this.drag;
      const far = Math.abs(event.clientX - from.pixel) > DRAGGED_PX;
      this.drag = null;
      if (!from.moves && dragged && far && event.type === "pointerup") this.go(...dragged);
      else this.overlay();
      from = null;
    };
    glass.addEventListener("pointerup", end);
    glass.addEventListener("pointercancel", end);
    glass.addEventListener("dblclick", () => this.do("all"));
    glass.addEventListener("wheel", (event) => this.wheel(event, at(event)), { passive: false });
  }

  wheel(event, at) {
    const sideways = Math.abs(event.deltaX) > Math.abs(event.deltaY);
    if (event.ctrlKey || event.metaKey) this.zoom(Math.exp(clamp(event.deltaY, -120, 120) / 250), at);
    else if (sideways) this.move(event.deltaX / this.room);
    else return;
    event.preventDefault();
  }

  /** The place on the axis under a pixel of the window. */
  placeOf(glass, pixel) {
    const box = glass.getBoundingClientRect();
    const [a, b] = this.view;
    return a + ((pixel - box.left) / box.width) * (b - a);
  }

  touch(event, glass) {
    const before = this.touches.get(event.pointerId);
    if (before === undefined) return;
    if (this.touches.size === 2) {
      const [id] = [...this.touches.keys()].filter((key) => key !== event.pointerId);
      const other = this.touches.get(id);
      const [a, b] = this.view;
      const was = Math.max(20, Math.abs(before - other));
      const now = Math.max(20, Math.abs(event.clientX - other));
      const span = (b - a) * (was / now);
      const box = glass.getBoundingClientRect();
      const start = this.placeOf(glass, (before + other) / 2) - (((event.clientX + other) / 2 - box.left) / box.width) * span;
      this.go(start, start + span);
    } else this.setCursor(this.placeOf(glass, event.clientX));
    this.touches.set(event.pointerId, event.clientX);
  }
}

/** The panels of a strip; `changed` is called whenever its view or its cursor is another. */
export function Panels({ strip, changed }) {
  const box = useRef(null);
  const told = useRef(null);
  const [, again] = useReducer((n) => n + 1, 0);
  told.current = changed;
  useLayoutEffect(() => strip.mount(box.current, () => {
    told.current?.();
    again();
  }), [strip]); // prettier-ignore
  return (
    <div ref={box}>
      {strip.parts.map((part) => (
        <div key={part.number} class="panel" data-kind={part.spec.kind}>
          <div class="head">
            <h3>{part.title}</h3>
            <ul class="legend">{part.legend(strip.spec.free ? null : strip.cursor)}</ul>
          </div>
          <div class="stage">
            <div class="plot" role="img" aria-label={`Plot: ${part.spec.title}`} ref={(node) => { part.place = node; }} />
          </div>
        </div>
      ))}
    </div>
  ); // prettier-ignore
}
