// Points over two scales, tied to the rows of a table.
import { LineSample, LOOKS, MARKS, MarkSample, drawLine, drawMark } from "./looks.jsx";
import { makePlot, plots } from "./plot.js";
import { lightRow, rowOf } from "./tables.js";

const REACH = 30; // pixels around a point in which it is pointed at

export class Cloud {
  constructor(spec) {
    this.spec = spec;
    this.figure = document.getElementById(`figure-${spec.name}`);
    this.plots = this.figure.querySelector(".plots");
    this.tip = this.figure.querySelector(".tip");
    this.now = -1;
    this.x = this.range(spec.x_range, "x");
    this.y = this.range(spec.y_range, "y");
    const inside = (v, range) => v !== null && (!range || (v >= range[0] && v <= range[1]));
    this.all = spec.groups
      .flatMap((group) => group.tips.map((tip, i) => ({ x: group.x[i], y: group.y[i], tip, id: group.ids[i] })))
      .filter(({ x, y }) => inside(x, spec.x_range) && inside(y, spec.y_range))
      .sort((p, q) => p.x - q.x || p.y - q.y);
  }

  range(given, axis) {
    if (given) return given;
    const all = this.spec.groups.flatMap((group) => group[axis]).filter((v) => v !== null);
    all.push(...this.spec.limits.filter(([which]) => which === axis).map(([, value]) => value));
    let [low, high] = all.reduce(([least, most], v) => [Math.min(least, v), Math.max(most, v)], [Infinity, -Infinity]);
    if (low > high) [low, high] = [0, 1];
    const margin = 0.06 * (high - low || Math.abs(high) || 1);
    const near = low >= 0 && low < 4 * margin; // 0 is near enough to begin there
    return [near ? (low > 0 ? 0 : -margin / 2) : low - margin, high + margin];
  }

  mount() {
    const { spec } = this;
    const names = spec.x_words.length ? new Map(spec.x_words.map((word, i) => [i, word])) : null;
    this.plot = makePlot(this.place, {
      width: this.place.clientWidth,
      height: spec.height,
      x: { range: () => this.x, names, label: spec.x_label },
      y: { range: () => this.y, label: spec.y_label },
      data: [this.x],
      over: (u, ctx, ratio) => this.over(u, ctx, ratio),
    });
    this.halo = Object.assign(document.createElement("i"), { className: "halo" });
    this.plot.over.append(this.halo);
    plots.add({ plot: this.plot, stage: this.place.parentElement });
    this.listen();
  }

  over(u, ctx, ratio) {
    const place = (x, y) => [x === null ? NaN : u.valToPos(x, "x", true), y === null ? NaN : u.valToPos(y, "y", true)];
    const { left, top, width, height } = u.bbox;
    for (const [axis, value] of this.spec.limits) {
      const at = u.valToPos(value, axis, true);
      const ends = axis === "x" ? [[at, top], [at, top + height]] : [[left, at], [left + width, at]]; // prettier-ignore
      drawLine(ctx, LOOKS["limit-dashed"], ends, ratio);
    }
    for (const group of this.spec.groups) {
      const points = group.x.map((x, i) => place(x, group.y[i]));
      const [, , name] = MARKS[group.look];
      if (group.joined) drawLine(ctx, [name, 1.8, LOOKS[group.look]?.[2] ?? []], points, ratio);
      if (MARKS[group.look][1]) for (const [x, y] of points) if (Number.isFinite(x + y)) drawMark(ctx, group.look, x, y, ratio);
    }
  }

  /** Where a point lies in the frame, in CSS pixels. */
  pixel({ x, y }) {
    return [this.plot.valToPos(x, "x"), this.plot.valToPos(y, "y")];
  }

  listen() {
    const glass = this.plot.over;
    const light = (event, then = () => {}) => {
      const box = glass.getBoundingClientRect();
      let best = -1;
      let least = REACH;
      this.all.forEach((point, i) => {
        const [x, y] = this.pixel(point);
        const far = Math.hypot(x - (event.clientX - box.left), y - (event.clientY - box.top));
        if (far < least) [best, least] = [i, far];
      });
      if (best < 0) return;
      this.light(best);
      then(this.all[best]);
    };
    glass.addEventListener("pointermove", (event) => light(event));
    glass.addEventListener("pointerdown", (event) => light(event, ({ id }) => rowOf(id)?.scrollIntoView({ block: "nearest" })));
    this.plots.addEventListener("keydown", (event) => {
      const by = { ArrowLeft: -1, ArrowUp: -1, ArrowRight: 1, ArrowDown: 1 }[event.key];
      if (!by || !this.all.length) return;
      event.preventDefault();
      this.light((this.now + by + this.all.length) % this.all.length);
    });
    new ResizeObserver(() => {
      const width = this.place.clientWidth;
      if (!width || width === this.plot.width) return;
      this.plot.batch(() => this.plot.setSize({ width, height: this.plot.height }));
      if (this.now >= 0) this.light(this.now);
    }).observe(this.plots);
  }

  light(i) {
    this.now = i;
    const point = this.all[i];
    const [x, y] = this.pixel(point);
    Object.assign(this.halo.style, { display: "block", left: `${x}px`, top: `${y}px` });
    this.tip.textContent = point.tip;
    lightRow(point.id);
  }
}

/** The legend and the place of the plot. */
export function CloudView({ cloud }) {
  const { spec } = cloud;
  return (
    <>
      <div class="head">
        <ul class="legend">
          {spec.limits.map(([axis, value, label]) => <li key={`${axis} ${value}`}><LineSample look="limit-dashed" /><span>{label}</span></li>)}
          {spec.groups.map((group, i) => group.label && <li key={i}><MarkSample look={group.look} /><span>{group.label}</span></li>)}
        </ul>
      </div>
      <div class="stage">
        <div class="plot" role="img" aria-label={spec.title} ref={(node) => { cloud.place = node; }} />
      </div>
    </>
  ); // prettier-ignore
}
