// The kinds of panels of a strip: what each draws in a view, what its legend says, and what it reads at the cursor.
import uPlot from "uplot";
import { clamp, shownNumber, stride, thinned } from "./columns.js";
import { BarSample, FiredSample, LineSample, ShareSample, SkippedSample, colour, drawBar, drawLine } from "./looks.jsx";
import { makePlot, plots, redraw } from "./plot.js";

const MOST_DOTS = 100; // numbers in a view that are marked one by one
const BAR = 0.38; // half the height of a bar, in rows
const LINEAR = uPlot.paths.linear();
const STEPPED = uPlot.paths.stepped({ align: 1 });
const MARK_PX = 11;

const element = (className) => Object.assign(document.createElement("i"), { className });

/** What all panels have in common: a plot, with the cursor and the shaded part over it. */
class Part {
  constructor(strip, number) {
    this.strip = strip;
    this.number = number;
    this.last = number === strip.spec.panels.length - 1;
    this.axis = number === 0 || this.last;
    this.cursor = element("cursor");
    this.mark = element("chosen-part");
    this.range = [0, 1];
    this.data = [[]];
    this.take();
  }
  get spec() {
    return this.strip.spec.panels[this.number];
  }
  get title() {
    return this.spec.title + (this.spec.unit ? `, ${this.spec.unit}` : "");
  }
  /** Names of the scale's values, in place of numbers. */
  get names() {
    return null;
  }
  take() {}
  series() {
    return [];
  }
  /** Makes the plot, or makes it anew where it has other lines than before. */
  mount() {
    this.unmount();
    const { strip } = this;
    const label = this.last ? strip.spec.axis_label : undefined;
    this.plot = makePlot(this.place, {
      width: strip.width,
      height: this.height + (this.axis ? 18 : 0) + (label ? 22 : 0),
      x: { range: () => strip.shown, bare: !this.axis, grid: this.grid, label },
      y: { range: () => this.range, names: this.names, grid: this.grid },
      series: this.series(),
      data: this.data,
      under: (u, ctx) => this.under(u, ctx),
      over: (u, ctx, ratio) => this.over(u, ctx, ratio),
    });
    this.plot.over.append(this.mark, this.cursor);
    this.shape = this.shapeNow();
    this.late = false;
    this.seen = true;
    this.watch = new IntersectionObserver(([entry]) => {
      this.seen = entry.isIntersecting;
      if (this.seen) strip.catchUp([this]);
    }, { rootMargin: "150px" });
    this.watch.observe(this.place);
    this.entry = { plot: this.plot, stage: this.place.parentElement, pen: (ctx) => this.pen(ctx) };
    plots.add(this.entry);
    strip.point(this);
  }
  unmount() {
    if (!this.plot) return;
    plots.delete(this.entry);
    this.watch.disconnect();
    this.plot.destroy();
    this.plot = null;
  }
  shapeNow() {
    return "";
  }
  get grid() {
    return false;
  }
  under() {}
  over() {}
  restyle() {
    redraw(this.plot);
  }
  /** Whether one of its columns is among these. */
  touched(columns) {
    return (this.lines ?? this.rows).some(({ column }) => columns.has(column));
  }
  draw(a, b, zero) {
    this.late = false;
    this.work(a, b, zero);
    this.plot.batch(() => {
      if (this.plot.width !== this.strip.width) this.plot.setSize({ width: this.strip.width, height: this.plot.height });
      this.plot.setData(this.data);
    });
  }
  /** The frame's width in CSS pixels. */
  get width() {
    return this.plot.bbox.width / devicePixelRatio;
  }
  /** Puts the cursor and the shaded part where they are in a view. */
  overlay([a, b], at, shaded) {
    const pixel = (x) => clamp((x - a) / (b - a), 0, 1) * this.width;
    const inside = (from, to) => to >= a && from <= b;
    const show = (node, is) => { node.style.display = is ? "block" : "none"; }; // prettier-ignore
    show(this.cursor, at !== null && inside(at, at));
    if (at !== null) this.cursor.style.left = `${pixel(at)}px`;
    show(this.mark, shaded && inside(...shaded));
    if (!shaded) return;
    this.mark.style.left = `${pixel(shaded[0])}px`;
    this.mark.style.width = `${Math.max(2, pixel(shaded[1]) - pixel(shaded[0]))}px`;
  }
  /** The cursor, on paper. */
  pen(ctx) {
    const { view: [a, b], cursor } = this.strip; // prettier-ignore
    if (cursor === null || cursor < a || cursor > b) return;
    const { left, top, width, height } = this.plot.bbox;
    ctx.fillStyle = colour("blue");
    ctx.fillRect(left + ((cursor - a) / (b - a)) * width - devicePixelRatio, top, 2 * devicePixelRatio, height);
  }
}

/** Curves on one scale. */
class Curves extends Part {
  get height() {
    return this.spec.height;
  }
  get grid() {
    return true;
  }
  take(stays) {
    const { strip, spec } = this;
    const before = this.lines;
    // Areas lie below, the main line above all others.
    const rank = ({ look }) => (strip.looks[look][3] ? 0 : look === "main" ? 2 : 1);
    this.lines = [...spec.lines].sort((p, q) => rank(p) - rank(q)).map((line) => ({
      line, column: strip.series[line.series].columns[line.column], axis: strip.axes[line.series], exact: false, count: 0,
    })); // prettier-ignore
    if (stays) this.lines.forEach((one, i) => Object.assign(one, { exact: before[i].exact, count: before[i].count }));
    this.codes = this.namedCodes();
  }
  shapeNow() {
    return this.lines.map(({ line }) => `${line.label} ${line.look}`).join("\n");
  }
  /** Where every line is of codes with names, the scale has the codes that occur, by name if it is short. */
  namedCodes() {
    const columns = this.lines.map((one) => one.column);
    if (!columns.length || columns.some((column) => !Object.keys(column.words).length)) return null;
    const names = new Map();
    for (const { values, words } of columns) for (const code of new Set(values)) names.set(code, words[code] ?? String(code));
    if (names.size > 7) return null;
    for (const [code, name] of names) if (name.length > 8) names.set(code, String(code));
    return names;
  }
  get names() {
    return this.codes;
  }
  series() {
    return this.lines.map((_, i) => {
      const one = () => this.lines[i];
      const [name, width, dash, fill] = this.strip.looks[this.lines[i].line.look];
      const stroke = () => colour(name);
      return {
        stroke,
        width,
        pxAlign: 0, // a curve keeps its shape; only the grid is laid on whole pixels
        dash: dash.map((length) => length * devicePixelRatio),
        ...(fill && { fill: () => colour(fill), fillTo: 0 }),
        paths: (...about) => (width ? (one().line.stepped && one().exact ? STEPPED : LINEAR)(...about) : null),
        points: { show: () => !width || (!fill && !this.strip.spec.free && one().exact && one().count < MOST_DOTS), size: width ? 5 : 4, stroke, fill: stroke },
      };
    });
  }
  work(a, b, zero) {
    const { strip, spec } = this;
    let low = Infinity;
    let high = -Infinity;
    const tables = this.lines.map((one) => {
      if (!one.axis.n) return [[a - zero], [null]];
      const found = thinned(one.axis, one.column, a, b, zero, strip.room * 1.25);
      Object.assign(one, { exact: found.exact, count: found.count });
      if (one.line.scaled) {
        low = Math.min(low, found.low);
        high = Math.max(high, found.high);
      }
      return [found.x, found.y];
    });
    this.data = tables.length ? uPlot.join(tables) : [[a - zero]];
    for (const { value } of spec.levels) {
      if (value > 2.2 * high && spec.bottom !== null) continue;
      low = Math.min(low, value);
      high = Math.max(high, value);
    }
    if (low > high) [low, high] = [0, 1];
    if (spec.least_top !== null) high = Math.max(high, spec.least_top);
    const bottom = spec.bottom !== null ? Math.min(spec.bottom, low) : low;
    const span = high - bottom || Math.abs(high) || 1;
    this.range = [bottom < 0 || spec.bottom === null ? bottom - 0.06 * span : bottom, high + 0.1 * span];
  }
  /** What is drawn of a column in the view: places from the zero, and values. */
  drawn(column) {
    this.strip.catchUp([this]);
    const ys = this.data[1 + this.lines.findIndex(({ line }) => line.column === column)];
    const known = this.data[0].map((x, i) => [x, ys[i]]).filter(([, y]) => y != null);
    return [known.map(([x]) => x), known.map(([, y]) => y)];
  }
  under(u, ctx) {
    const { left, top, width, height } = u.bbox;
    const [a, b] = this.strip.view;
    const place = (x) => left + clamp((x - a) / (b - a), 0, 1) * width;
    for (const shade of this.spec.shades ?? []) {
      ctx.fillStyle = colour(shade.colour);
      ctx.fillRect(place(shade.from), top, Math.max(1, place(shade.to) - place(shade.from)), height);
    }
  }
  over(u, ctx, ratio) {
    const { left, width } = u.bbox;
    for (const { look, value } of this.spec.levels) {
      const y = u.valToPos(value, "y", true);
      drawLine(ctx, this.strip.looks[look], [[left, y], [left + width, y]], ratio);
    }
  }
  legend(at) {
    const { looks } = this.strip;
    return [
      ...this.spec.lines.map((line) => {
        const { column, axis } = this.lines.find((one) => one.line === line);
        const text = at !== null && axis.covers(at) ? shownNumber(column, axis.nearest(at)) : "";
        return <li key={`${line.series} ${line.column} ${line.label}`}><LineSample look={line.look} looks={looks} /><span>{line.label}</span><b>{text}</b></li>;
      }),
      ...this.spec.levels.map((level) => <li key={`level ${level.label}`}><LineSample look={level.look} looks={looks} /><span>{level.label}</span></li>),
    ];
  }
}

/** Rows of named bars. */
class Bands extends Part {
  get height() {
    return 34 * this.spec.rows.length + 10;
  }
  take() {
    const { strip, spec } = this;
    this.rows = spec.rows.map((row, i) => ({
      row, column: strip.series[row.series].columns[row.column], bars: new Map(row.bars), words: new Map(row.words),
      short: new Map(row.short ?? []), axis: strip.axes[row.series], level: spec.rows.length - 1 - i,
    })); // prettier-ignore
    this.keys = this.patterns();
  }
  get names() {
    return new Map(this.rows.map(({ level, row }) => [level, row.label]));
  }
  /** What the patterns mean: [pattern, name] of those that occur, each once. */
  patterns() {
    const found = new Map();
    for (const { row, column, bars, words } of this.rows) {
      const codes = new Set();
      for (const v of column.values) codes.add(v & row.mask);
      for (const code of [...bars.keys(), ...codes]) {
        if (!code || !codes.has(code) || !words.has(code)) continue;
        const bar = bars.get(code) ?? "plain";
        found.set(`${bar} ${words.get(code)}`, [bar, words.get(code)]);
      }
    }
    return [...found.values()];
  }
  work(a, b, zero) {
    this.bars = [];
    for (const one of this.rows) {
      if (!one.axis.n) continue;
      for (const [code, from, to] of this.spans(one, a, b)) {
        const left = Math.max(from, a);
        const right = Math.min(to, b);
        if (right <= left) continue;
        this.bars.push({ left: left - zero, right: right - zero, level: one.level, bar: one.bars.get(code) ?? "plain", names: [one.words.get(code) ?? String(code), one.short.get(code) ?? ""] });
      }
    }
    this.data = [[a - zero, b - zero]];
    this.range = [-0.55, this.rows.length - 0.45];
  }
  /** Stretches of one number: [number, from, to]; of those on one pixel the strongest. */
  spans({ row, column, bars, axis }, a, b) {
    const [i0, i1] = axis.range(a, b);
    const step = stride(i1 - i0 + 1, this.strip.room);
    const rank = new Map([...bars.keys()].map((code, place) => [code, place]));
    const strongest = (from, to) => {
      let best = 0;
      let place = Infinity;
      for (let j = from; j < to; j++) {
        const v = column.values[j] & row.mask;
        if (v === best || !v) continue;
        const its = rank.get(v) ?? 1e9;
        if (its < place) [best, place] = [v, its];
      }
      return best;
    };
    const found = [];
    let code = null;
    let from = 0;
    for (let i = Math.floor(i0 / step) * step; i <= i1; i += step) {
      const best = strongest(i, Math.min(i + step, axis.n));
      if (best === code) continue;
      if (code) found.push([code, axis.at(from), axis.at(i)]);
      [code, from] = [best, i];
    }
    if (code) found.push([code, axis.at(from), axis.at(i1) + axis.step]);
    return found;
  }
  over(u, ctx, ratio) {
    ctx.font = `${14 * ratio}px system-ui, 'DejaVu Sans', sans-serif`;
    ctx.textAlign = "center";
    ctx.textBaseline = "middle";
    const place = ({ left, right, level }) => {
      const [x, end] = [u.valToPos(left, "x", true), u.valToPos(right, "x", true)];
      const [y, foot] = [u.valToPos(level + BAR, "y", true), u.valToPos(level - BAR, "y", true)];
      return [x, y, end - x, foot - y];
    };
    for (const one of this.bars) drawBar(ctx, this.strip.bars[one.bar], ...place(one), ratio);
    for (const one of this.bars) {
      const [x, y, width, height] = place(one);
      const room = (text) => ctx.measureText(text).width;
      const name = one.names.find((text) => text && room(text) + 14 * ratio <= width);
      if (!name) continue;
      const wide = room(name);
      ctx.fillStyle = colour("paper");
      ctx.globalAlpha = 0.9;
      ctx.fillRect(x + (width - wide) / 2 - 3 * ratio, y + height / 2 - 9 * ratio, wide + 6 * ratio, 18 * ratio);
      ctx.globalAlpha = 1;
      ctx.fillStyle = colour("ink");
      ctx.fillText(name, x + width / 2, y + height / 2);
    }
  }
  legend(at) {
    const said = ({ row, column, words, axis }) => {
      if (at === null || !axis.n) return "";
      const code = column.values[axis.nearest(at)] & row.mask;
      return words.get(code) ?? (code ? String(code) : "none");
    };
    return [
      ...(this.strip.spec.free ? [] : this.rows).map((one) => <li key={`row ${one.level}`}><span>{`${one.row.label}:`}</span><b>{said(one)}</b></li>),
      ...this.keys.map(([bar, name]) => <li key={`${bar} ${name}`}><BarSample bar={bar} bars={this.strip.bars} /><span class="idle">{name}</span></li>),
    ];
  }
}

/** Cylinder events, each as a mark; where they lie too close, the share that is skipped. */
class Events extends Part {
  get height() {
    return 20 * this.spec.names.length + 16;
  }
  get names() {
    const n = this.spec.names.length;
    return new Map(this.spec.names.map((name, i) => [n - 1 - i, name]));
  }
  touched(_, events) {
    return events;
  }
  at(i) {
    return this.spec.first + this.spec.tick.values[i] * this.spec.step;
  }
  /** The first event at or after a place on the axis. */
  first(x) {
    let low = 0;
    let high = this.spec.tick.n;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.at(middle) < x) low = middle + 1;
      else high = middle;
    }
    return low;
  }
  work(a, b, zero) {
    const { place, off, names, step } = this.spec;
    const n = names.length;
    const from = this.first(a);
    const to = this.first(b + step);
    this.marks = [];
    this.shares = [];
    if ((to - from) / n <= this.strip.room / 7) {
      for (let i = from; i < to; i++) this.marks.push([this.at(i) - zero, n - 1 - place.values[i], off.values[i] !== 0]);
    } else this.share(a, b, zero, from, to);
    this.data = [[a - zero, b - zero]];
    this.range = [-0.7, n - 0.3];
  }
  share(a, b, zero, from, to) {
    const { place, off, names } = this.spec;
    const n = names.length;
    const columns = Math.round(this.strip.room / 4);
    const all = new Float64Array(columns * n);
    const skipped = new Float64Array(columns * n);
    for (let i = from; i < to; i++) {
      const column = clamp(Math.floor(((this.at(i) - a) / (b - a)) * columns), 0, columns - 1);
      all[column * n + place.values[i]]++;
      if (off.values[i]) skipped[column * n + place.values[i]]++;
    }
    const width = (b - a) / columns;
    skipped.forEach((count, at) => {
      if (!count) return;
      const left = a + width * Math.floor(at / n) - zero;
      this.shares.push([left, left + width, n - 1 - (at % n), count / all[at]]);
    });
  }
  over(u, ctx, ratio) {
    const x = (v) => u.valToPos(v, "x", true);
    const y = (v) => u.valToPos(v, "y", true);
    const size = MARK_PX * ratio;
    const fired = new Path2D();
    const skipped = new Path2D();
    const crosses = new Path2D();
    for (const [at, level, off] of this.marks) {
      const [left, top] = [x(at) - size / 2, y(level) - size / 2];
      if (off) {
        skipped.rect(left, top, size, size);
        crosses.addPath(new Path2D(`M${left} ${top}l${size} ${size}M${left + size} ${top}l${-size} ${size}`));
      } else fired.rect(x(at) - 0.8 * ratio, top, 1.6 * ratio, size);
    }
    ctx.fillStyle = colour("ink");
    ctx.fill(fired);
    ctx.fillStyle = colour("bar-3");
    ctx.fill(skipped);
    ctx.strokeStyle = colour("ink");
    ctx.lineWidth = ratio;
    ctx.stroke(skipped);
    ctx.stroke(crosses);
    ctx.fillStyle = colour("orange");
    for (const [left, right, level, share] of this.shares) {
      const foot = y(level - 0.42);
      const top = y(level - 0.42 + 0.84 * share);
      ctx.fillRect(x(left), top, x(right) - x(left), foot - top);
    }
  }
  legend(at) {
    const { place, off, names, step } = this.spec;
    const i = at === null ? -1 : this.first(at + step / 2) - 1;
    const last = i < 0 ? "" : `· cylinder ${names[place.values[i]]} ${off.values[i] ? "skipped" : "fired"} last`;
    return [
      <li key="fired"><FiredSample /><span>fired</span></li>,
      <li key="skipped"><SkippedSample /><span>skipped</span></li>,
      this.shares?.length > 0 && <li key="share"><ShareSample /><span>wide view: height is the share skipped</span></li>,
      <li key="last" class="idle">{last}</li>,
    ];
  }
}

export const PARTS = { panel: Curves, bands: Bands, events: Events };
