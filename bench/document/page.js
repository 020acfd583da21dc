"use strict";
/* Draws the figures of a page: stacked curves over one axis (strips) and points. The numbers stand in the page,
   exact; what is drawn is the least and the greatest of each pixel, and every number where there is room. */
(() => {
  const NONE = -(2 ** 30);
  const BLOCK = 64; // numbers whose least and greatest are kept, for wide views
  const LEFT = 66; // pixels for the scale
  const root = document.documentElement;
  const wide = matchMedia("(prefers-color-scheme: dark)");
  const printing = matchMedia("print");
  const restyled = []; // functions to call when the colours change
  const plotted = []; // what is shown on the screen, each with `shown` and `stage`
  let asked = null; // the scheme the person chose
  let onPaper = false;

  const el = (name, cls, text) => {
    const made = document.createElement(name);
    if (cls) made.className = cls;
    if (text !== undefined) made.textContent = text;
    return made;
  };
  const colour = (name) => getComputedStyle(root).getPropertyValue("--" + name).trim();
  const clamp = (v, low, high) => Math.max(low, Math.min(high, v));

  // --- colours

  function setScheme() {
    const dark = !onPaper && (asked ? asked === "dark" : wide.matches);
    root.dataset.scheme = dark ? "dark" : "light";
    document.getElementById("scheme").textContent = dark ? "Light" : "Dark";
    for (const restyle of restyled) restyle();
  }

  /** On paper every plot is a picture that fits the page's width, in the light colours; all that is folded is
      open. */
  function setPaper(paper) {
    if (paper === onPaper) return;
    onPaper = paper;
    delete root.dataset.paper; // a plot that is not shown has no size
    setScheme();
    for (const one of plotted) {
      const { shown, stage } = one;
      stage.querySelector("img")?.remove();
      if (!paper) continue;
      // The library takes new colours over a moment later, which would be too late for paper.
      for (const view of shown.renderer_views.values()) view.glyph?.set_visuals(view.model.data_source, view.all_indices);
      const layer = shown.export("png", true);
      one.pen?.(layer);
      const picture = el("img");
      picture.alt = "";
      picture.src = layer.canvas.toDataURL();
      stage.append(picture);
    }
    if (paper) root.dataset.paper = "";
    for (const one of document.querySelectorAll("details")) {
      if (paper && !one.open) one.dataset.folded = "";
      if (paper || one.dataset.folded !== undefined) one.open = paper;
      if (!paper) delete one.dataset.folded;
    }
  }

  // how lines look: colour, width, dash
  const LOOKS = {
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
    fill: ["fill", 1, []],
    dots: ["blue", 0, []],
    "run-0": ["ink", 2.4, []],
    "run-1": ["blue", 2, [9, 4]],
    "run-2": ["orange", 2, [3, 3]],
    "run-3": ["green", 2, [12, 3, 3, 3]],
    "run-4": ["purple", 1.4, []],
    "run-5": ["brown", 1.4, [6, 6]],
  };
  // how the bars of bands look: fill, hatch
  const BARS = {
    solid: ["soft", " "], slash: ["bar-2", "/"], plain: ["bar-1", " "], cross: ["bar-3", "x"], dot: ["bar-4", "."],
    back: ["bar-3", "\\"], dash: ["bar-2", "-"], pipe: ["bar-4", "|"], plus: ["bar-1", "+"], vee: ["bar-2", "v"],
  }; // prettier-ignore
  // how points look: marker, size, colour, filled
  const MARKS = {
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
    line: ["circle", 0, "ink", true],
    "line-dashed": ["circle", 0, "orange", true],
  };

  function svg(inner) {
    const made = document.createElementNS("http://www.w3.org/2000/svg", "svg");
    made.setAttribute("width", "34");
    made.setAttribute("height", "16");
    made.setAttribute("aria-hidden", "true");
    for (const [name, attributes] of inner) {
      const part = document.createElementNS("http://www.w3.org/2000/svg", name);
      for (const [key, value] of Object.entries(attributes)) part.setAttribute(key, value);
      made.append(part);
    }
    return made;
  }
  const paint = (name) => `fill: var(--${name})`;
  const stroke = (name) => `stroke: var(--${name}); fill: none`;

  function lineSample(look) {
    const [name, width, dash] = LOOKS[look];
    if (look === "fill") return svg([["rect", { x: 2, y: 2, width: 30, height: 12, style: paint(name) }]]);
    if (look === "dots") return svg([5, 13, 21, 29].map((x) => ["circle", { cx: x, cy: 8, r: 2.2, style: paint(name) }]));
    return svg([["line", { x1: 1, y1: 8, x2: 33, y2: 8, "stroke-width": width, "stroke-dasharray": dash.join(" "),
      style: stroke(name) }]]); // prettier-ignore
  }

  function markSample(look) {
    const [marker, , name, filled] = MARKS[look];
    const style = filled ? paint(name) : stroke(name) + "; stroke-width: 1.6";
    const shapes = {
      circle: ["circle", { cx: 17, cy: 8, r: 4.5, style }],
      square: ["rect", { x: 12, y: 3, width: 10, height: 10, style }],
      triangle: ["path", { d: "M11 13 L23 13 L17 2 Z", style }],
      diamond: ["path", { d: "M17 1 L23 8 L17 15 L11 8 Z", style }],
      x: ["path", { d: "M11 2 L23 14 M23 2 L11 14", style: stroke(name) + "; stroke-width: 3" }],
      star: ["path", { d: "M17 0 L19 6 L25 6 L20 10 L22 16 L17 12 L12 16 L14 10 L9 6 L15 6 Z", style }],
    };
    if (look.startsWith("line")) {
      return svg([["line", { x1: 1, y1: 8, x2: 33, y2: 8, "stroke-width": 2,
        "stroke-dasharray": look === "line" ? "" : "8 4", style: stroke(name) }]]); // prettier-ignore
    }
    return svg([shapes[marker]]);
  }

  function barSample(bar) {
    const [name, hatch] = BARS[bar];
    const over = {
      "/": "M2 14 L14 2 M12 14 L24 2 M22 14 L32 4", "\\": "M2 2 L14 14 M12 2 L24 14 M22 2 L32 12",
      x: "M2 14 L14 2 M12 14 L24 2 M22 14 L32 4 M2 2 L14 14 M12 2 L24 14 M22 2 L32 12", "-": "M2 6 H32 M2 10 H32",
      "|": "M8 2 V14 M16 2 V14 M24 2 V14", "+": "M2 8 H32 M10 2 V14 M22 2 V14",
      ".": "M7 8 h2 M16 8 h2 M25 8 h2", v: "M4 5 l4 6 l4 -6 M18 5 l4 6 l4 -6",
    }[hatch]; // prettier-ignore
    const parts = [["rect", { x: 2, y: 2, width: 30, height: 12, style: paint(name) + "; stroke: var(--soft)" }]];
    if (over) parts.push(["path", { d: over, style: stroke("ink") + "; stroke-width: 1.2" }]);
    return svg(parts);
  }

  // --- numbers

  async function unpack(column) {
    const held = document.getElementById("data-" + column.key);
    const text = atob(held.textContent);
    held.remove();
    const bytes = new Uint8Array(text.length);
    for (let i = 0; i < text.length; i++) bytes[i] = text.charCodeAt(i);
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    const planes = new Uint8Array(await new Response(stream).arrayBuffer());
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
    return column;
  }

  /** The least and the greatest of numbers [from, to) of a column; NaN where all are gaps. */
  function extremes(column, from, to) {
    const { values, gaps } = column;
    let low = Infinity, high = -Infinity; // prettier-ignore
    const plain = (a, b) => {
      for (let i = a; i < b; i++) {
        const v = values[i];
        if (gaps && v === NONE) continue;
        if (v < low) low = v;
        if (v > high) high = v;
      }
    };
    const first = Math.ceil(from / BLOCK), last = Math.floor(to / BLOCK); // prettier-ignore
    if (last - first < 2) plain(from, to);
    else {
      blocks(column);
      plain(from, first * BLOCK);
      for (let b = first; b < last; b++) {
        if (column.low[b] < low) low = column.low[b];
        if (column.high[b] > high) high = column.high[b];
      }
      plain(last * BLOCK, to);
    }
    return low > high ? [NaN, NaN] : [low, high];
  }

  function blocks(column) {
    if (column.low) return;
    const count = Math.floor(column.n / BLOCK);
    column.low = new Float64Array(count);
    column.high = new Float64Array(count);
    for (let b = 0; b < count; b++) {
      let low = Infinity, high = -Infinity; // prettier-ignore
      for (let i = b * BLOCK; i < (b + 1) * BLOCK; i++) {
        const v = column.values[i];
        if (column.gaps && v === NONE) continue;
        if (v < low) low = v;
        if (v > high) high = v;
      }
      column.low[b] = low;
      column.high[b] = high;
    }
  }

  class Axis {
    constructor(series) {
      this.first = series.first;
      this.step = series.step;
      const columns = Object.values(series.columns);
      this.along = series.along ? series.columns[series.along] : null;
      this.n = columns.length ? columns[0].n : 0;
    }
    at(i) {
      if (!this.along) return this.first + i * this.step;
      return this.first + this.along.values[clamp(i, 0, this.n - 1)] / this.along.per;
    }
    /** The last index at or before x, -1 before the first. */
    before(x) {
      if (!this.along) return Math.floor((x - this.first) / this.step + 1e-6);
      let low = 0, high = this.n; // prettier-ignore
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
    range(a, b) {
      return [clamp(this.before(a) - 1, 0, this.n - 1), clamp(this.before(b) + 2, 0, this.n - 1)];
    }
    /** From one number to the next, where they are closest. */
    get fine() {
      return this.step;
    }
  }

  function stride(count, room) {
    let step = 1;
    while (count / step > room) step *= 2;
    return step;
  }

  /** What to draw of a column over [a, b] in `room` pixels. */
  function thinned(axis, column, a, b, zero, room, stepped) {
    const [i0, i1] = axis.range(a, b);
    const step = stride(i1 - i0 + 1, room);
    const x = [], y = []; // prettier-ignore
    let low = Infinity, high = -Infinity; // prettier-ignore
    const value = (v) => (column.gaps && v === NONE ? NaN : v / column.per);
    const add = (place, v) => {
      x.push(place - zero);
      y.push(v);
      if (v < low) low = v;
      if (v > high) high = v;
    };
    if (step === 1) {
      for (let i = i0; i <= i1; i++) {
        const v = value(column.values[i]);
        add(axis.at(i), v);
        if (stepped && i < i1) add(axis.at(i + 1), v);
      }
    } else {
      for (let i = Math.floor(i0 / step) * step; i <= i1; i += step) {
        const end = Math.min(i + step, column.n);
        const [least, most] = extremes(column, i, end);
        const falls = column.values[i] > column.values[end - 1];
        add(axis.at(i), (falls ? most : least) / column.per);
        add(axis.at(i + step / 2), (falls ? least : most) / column.per);
      }
    }
    return { x: Float64Array.from(x), y: Float64Array.from(y), low, high, exact: step === 1, count: i1 - i0 + 1 };
  }

  /** With so many decimals, and no sign before a zero. */
  const fixed = (value, decimals) => value.toFixed(decimals).replace(/^-(?=[0.]*$)/, "");

  const shownNumber = (column, i) => {
    const v = column.values[i];
    if (column.gaps && v === NONE) return "–";
    if (column.words[v] !== undefined) return column.words[v];
    return fixed(v / column.per, column.decimals) + (column.unit ? "\u202f" + column.unit : "");
  };

  // --- plots

  function plot(height, { axis = true } = {}) {
    const made = Bokeh.Plotting.figure({
      height, sizing_mode: "stretch_width", toolbar_location: null, tools: "", min_border_left: LEFT,
      min_border_right: 14, min_border_top: 4, min_border_bottom: axis ? 24 : 6, output_backend: "canvas",
      x_range: new Bokeh.Range1d({ start: 0, end: 1 }), y_range: new Bokeh.Range1d({ start: 0, end: 1 }),
    }); // prettier-ignore
    made.x_axes = made.below;
    made.y_axes = made.left;
    made.below[0].setv({ major_label_text_font_size: "14px", minor_tick_line_color: null, visible: true });
    made.left[0].setv({ major_label_text_font_size: "14px", minor_tick_line_color: null });
    made.below[0].ticker.desired_num_ticks = innerWidth < 640 ? 4 : 8;
    if (made.left[0].ticker.desired_num_ticks) made.left[0].ticker.desired_num_ticks = clamp(Math.round(height / 30), 3, 7);
    if (!axis) made.below[0].setv({ major_label_text_font_size: "0px", major_label_standoff: 0 });
    return made;
  }

  function dress(made, grid = true) {
    made.setv({
      background_fill_color: colour("paper"), border_fill_color: colour("paper"), outline_line_color: null,
    }); // prettier-ignore
    for (const axis of [made.below[0], made.left[0]]) {
      axis.setv({
        axis_line_color: colour("soft"), major_tick_line_color: colour("soft"), major_label_text_color: colour("ink"),
      }); // prettier-ignore
    }
    for (const lines of made.center) if ("grid_line_color" in lines) lines.setv({ grid_line_color: grid ? colour("grid") : null });
  }

  async function show(made, place) {
    const shown = await Bokeh.Plotting.show(made, place);
    // The library takes the focus in each plot, and shows nothing of it; keys are heard by the whole figure.
    for (const inner of place.children) inner.inert = true;
    return shown;
  }

  class Strip {
    constructor(spec) {
      this.spec = spec;
      this.figure = document.getElementById("figure-" + spec.name);
      this.plots = this.figure.querySelector(".plots");
      this.where = this.figure.querySelector(".where");
      this.series = spec.series;
      this.cursor = null;
      this.mark = null;
      this.parts = [];
      this.touches = new Map();
    }

    async start() {
      const columns = [];
      for (const one of Object.values(this.series)) columns.push(...Object.values(one.columns));
      for (const panel of this.spec.panels) if (panel.kind === "events") columns.push(panel.tick, panel.place, panel.off);
      await Promise.all(columns.map(unpack));
      this.axes = {};
      this.from = Infinity;
      this.until = -Infinity;
      this.fine = Infinity;
      for (const [name, one] of Object.entries(this.series)) {
        const axis = (this.axes[name] = new Axis(one));
        if (!axis.n) continue;
        this.from = Math.min(this.from, axis.at(0));
        this.until = Math.max(this.until, axis.at(axis.n - 1));
        this.fine = Math.min(this.fine, axis.fine);
      }
      this.view = this.within(...this.spec.view);
      this.cursor = this.spec.cursor;
      const makers = { panel: PanelPart, bands: BandsPart, events: EventsPart };
      this.spec.panels.forEach((panel, number) => {
        const last = number === this.spec.panels.length - 1;
        this.parts.push(new makers[panel.kind](this, panel, number === 0 || last));
      });
      for (const part of this.parts) part.dress();
      this.draw();
      for (const part of this.parts) {
        part.shown = await show(part.plot, part.place);
        plotted.push(part);
      }
      restyled.push(() => {
        for (const part of this.parts) part.dress();
        this.draw();
      });
      this.listen();
      this.overlay();
    }

    get room() {
      return Math.max(200, this.plots.clientWidth - LEFT - 14);
    }

    within(a, b) {
      const whole = this.until - this.from || 1;
      const span = clamp(b - a, Math.min(whole, 8 * this.fine), whole);
      const start = clamp((a + b - span) / 2, this.from, this.until - span);
      return [start, start + span];
    }

    zero() {
      const [a, b] = this.view;
      const zeros = this.spec.zeros;
      const inside = zeros.filter((zero) => zero.at >= a && zero.at <= b);
      if (!zeros.length || inside.length > 1) return { at: 0, label: this.spec.axis };
      const before = zeros.filter((zero) => zero.at <= b);
      return before.length ? before[before.length - 1] : zeros[0];
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
        this.overlay();
      });
    }

    draw() {
      const zero = this.zero();
      for (const part of this.parts) part.draw(this.view[0], this.view[1], zero.at);
      this.read();
    }

    /** Cursor and shaded part, over each panel. */
    overlay() {
      const [a, b] = this.view;
      for (const part of this.parts) {
        if (!part.shown) continue;
        const box = part.shown.frame.bbox;
        const pixel = (x) => box.x0 + ((x - a) / (b - a)) * (box.x1 - box.x0);
        const put = (node, from, to) => {
          const inside = to >= a && from <= b;
          node.style.display = inside ? "block" : "none";
          if (!inside) return;
          node.style.top = box.y0 + "px";
          node.style.height = box.y1 - box.y0 + "px";
          node.style.left = clamp(pixel(from), box.x0, box.x1) + "px";
          return node;
        };
        if (this.cursor === null) part.cursor.style.display = "none";
        else put(part.cursor, this.cursor, this.cursor);
        const shaded = this.drag ?? this.mark;
        if (!shaded) part.mark.style.display = "none";
        else if (put(part.mark, ...shaded)) {
          part.mark.style.width = Math.max(2, clamp(pixel(shaded[1]), box.x0, box.x1) - clamp(pixel(shaded[0]), box.x0, box.x1)) + "px";
        }
      }
    }

    setCursor(x) {
      const axis = Object.values(this.axes).find((one) => one.n);
      const inside = clamp(x, this.from, this.until);
      this.cursor = axis ? axis.at(axis.nearest(inside)) : inside;
      this.read();
      this.overlay();
    }

    read() {
      const zero = this.zero();
      const [a, b] = this.view;
      const d = this.spec.decimals;
      const at = (x) => fixed(x - zero.at, d);
      const named = (text) => (d ? `${text} ${zero.label}` : `${zero.label} ${text}`); // 0.737 s, tick 2197
      this.where.textContent = this.cursor === null ? named(`${at(a)} to ${at(b)}`) : `At ${named(at(this.cursor))}`;
      for (const part of this.parts) part.read(this.cursor);
    }

    zoom(factor, x) {
      const [a, b] = this.view;
      const fixed = x ?? (this.cursor !== null && this.cursor >= a && this.cursor <= b ? this.cursor : (a + b) / 2);
      this.go(fixed - (fixed - a) * factor, fixed + (b - fixed) * factor);
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

    listen() {
      for (const button of this.figure.querySelectorAll("[data-do]")) {
        button.addEventListener("click", () => this.do(button.dataset.do));
      }
      this.plots.addEventListener("keydown", (event) => this.key(event));
      new ResizeObserver(() => this.soon()).observe(this.plots);
      for (const part of this.parts) this.point(part);
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
      const does = {
        ArrowLeft: () => walk(from - step), ArrowRight: () => walk(from + step),
        Home: () => walk(a), End: () => walk(b),
        PageUp: () => this.move(-0.8), PageDown: () => this.move(0.8),
        "+": () => this.do("in"), "=": () => this.do("in"), "-": () => this.do("out"),
        0: () => this.do("first"), Escape: () => { this.mark = null; this.overlay(); },
      }[event.key]; // prettier-ignore
      if (!does) return;
      event.preventDefault();
      does();
    }

    point(part) {
      const glass = part.glass;
      const at = (event) => {
        const box = part.shown.frame.bbox;
        const [a, b] = this.view;
        return a + ((event.clientX - glass.getBoundingClientRect().left - box.x0) / (box.x1 - box.x0)) * (b - a);
      };
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
        if (event.pointerType === "touch") this.touch(event, at, part);
        else if (!from) this.setCursor(at(event));
        else if (from.moves) {
          const [a, b] = from.view;
          const box = part.shown.frame.bbox;
          const by = ((from.pixel - event.clientX) / (box.x1 - box.x0)) * (b - a);
          this.go(a + by, b + by);
        } else {
          const x = clamp(at(event), this.view[0], this.view[1]);
          this.drag = [Math.min(x, from.x), Math.max(x, from.x)];
          this.setCursor(x);
        }
      });
      const end = (event) => {
        this.touches.delete(event.pointerId);
        if (!from) return;
        const dragged = this.drag;
        const far = Math.abs(event.clientX - from.pixel) > 5;
        this.drag = null;
        if (!from.moves && dragged && far && event.type === "pointerup") this.go(...dragged);
        else this.overlay();
        from = null;
      };
      glass.addEventListener("pointerup", end);
      glass.addEventListener("pointercancel", end);
      glass.addEventListener("dblclick", () => this.do("all"));
      glass.addEventListener("wheel", (event) => {
          if (event.ctrlKey || event.metaKey) {
            event.preventDefault();
            this.zoom(Math.exp(clamp(event.deltaY, -120, 120) / 250), at(event));
          } else if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
            event.preventDefault();
            this.move(event.deltaX / this.room);
          }
        }, { passive: false }); // prettier-ignore
    }

    touch(event, at, part) {
      const before = this.touches.get(event.pointerId);
      if (before === undefined) return;
      if (this.touches.size === 2) {
        const [id] = [...this.touches.keys()].filter((key) => key !== event.pointerId);
        const other = this.touches.get(id);
        const box = part.shown.frame.bbox;
        const left = part.glass.getBoundingClientRect().left + box.x0;
        const [a, b] = this.view;
        const scale = (b - a) / (box.x1 - box.x0);
        const was = Math.max(20, Math.abs(before - other)), now = Math.max(20, Math.abs(event.clientX - other)); // prettier-ignore
        const held = a + ((before + other) / 2 - left) * scale;
        const span = (b - a) * (was / now);
        const start = held - (((event.clientX + other) / 2 - left) / (box.x1 - box.x0)) * span;
        this.go(start, start + span);
      } else this.setCursor(at(event));
      this.touches.set(event.pointerId, event.clientX);
    }
  }

  /** What the panels of a strip have in common: head, plot, glass. */
  class Part {
    constructor(strip, spec, height, axis) {
      this.strip = strip;
      this.spec = spec;
      const panel = el("div", "panel");
      panel.dataset.kind = spec.kind;
      this.head = el("div", "head");
      this.head.append(el("h3", "", spec.title + (spec.unit ? ", " + spec.unit : "")));
      this.legend = el("ul", "legend");
      this.head.append(this.legend);
      this.stage = el("div", "stage");
      this.place = el("div", "plot");
      this.place.setAttribute("role", "img");
      this.place.setAttribute("aria-label", "Plot: " + spec.title);
      this.glass = el("div", "glass");
      this.cursor = el("i", "cursor");
      this.mark = el("i", "chosen-part");
      this.glass.append(this.mark, this.cursor);
      this.stage.append(this.place, this.glass);
      panel.append(this.head, this.stage);
      strip.plots.append(panel);
      this.plot = plot(height + (axis ? 18 : 0), { axis });
    }
    entry(sample, label) {
      const item = el("li");
      const value = el("b");
      item.append(sample, el("span", "", label), value);
      this.legend.append(item);
      return value;
    }
    /** The cursor, on paper. */
    pen(layer) {
      const [a, b] = this.strip.view;
      const x = this.strip.cursor;
      if (x === null || x < a || x > b) return;
      const box = this.shown.frame.bbox;
      const ratio = layer.pixel_ratio;
      layer.ctx.setTransform(ratio, 0, 0, ratio, 0, 0);
      layer.ctx.fillStyle = colour("blue");
      layer.ctx.fillRect(box.x0 + ((x - a) / (b - a)) * (box.x1 - box.x0) - 1, box.y0, 2, box.y1 - box.y0);
    }
    ranges(a, b, low, high) {
      this.plot.x_range.setv({ start: a, end: b });
      this.plot.y_range.setv({ start: low, end: high });
    }
  }

  class PanelPart extends Part {
    constructor(strip, spec, axis) {
      super(strip, spec, spec.height, axis);
      // Areas lie below, the main line above all others.
      const rank = (line) => (line.look === "fill" ? 0 : line.look === "main" ? 2 : 1);
      const order = [...spec.lines].sort((p, q) => rank(p) - rank(q));
      this.lines = order.map((line) => this.line(line));
      this.levels = spec.levels.map((level) => {
        const source = new Bokeh.ColumnDataSource({ data: { x: [], y: [] } });
        const value = this.entry(lineSample(level.look), level.label);
        return { level, value, source, glyph: this.plot.line({ field: "x" }, { field: "y" }, { source }) };
      });
      this.nameCodes();
      // The legend in the order given.
      for (const line of spec.lines) this.legend.append(this.lines.find((one) => one.line === line).value.parentElement);
      for (const { value } of this.levels) this.legend.append(value.parentElement);
    }
    /** Where every line is of codes with names, the scale has the codes that occur, by name if it is short. */
    nameCodes() {
      const columns = this.lines.map((one) => one.column);
      if (!columns.length || columns.some((column) => !Object.keys(column.words).length)) return;
      const names = new Map();
      for (const { values, words } of columns) for (const code of new Set(values)) names.set(code, words[code] ?? String(code));
      if (names.size > 7) return;
      for (const [code, name] of names) if (name.length > 8) names.set(code, String(code));
      this.plot.left[0].setv({ ticker: new Bokeh.FixedTicker({ ticks: [...names.keys()] }), major_label_overrides: names });
    }
    line(line) {
      const source = new Bokeh.ColumnDataSource({ data: { x: [], y: [] } });
      const xy = [{ field: "x" }, { field: "y" }];
      const made = { line, source, value: this.entry(lineSample(line.look), line.label) };
      made.column = this.strip.series[line.series].columns[line.column];
      made.axis = this.strip.axes[line.series];
      if (line.look === "fill") {
        made.area = this.plot.varea({ x: xy[0], y1: 0, y2: xy[1], source });
        made.glyph = this.plot.line(...xy, { source });
      } else {
        if (line.look !== "dots") made.glyph = this.plot.line(...xy, { source });
        made.dots = this.plot.scatter(...xy, { source, size: line.look === "dots" ? 4 : 5 });
      }
      return made;
    }
    dress() {
      dress(this.plot);
      for (const { line, area, glyph, dots } of this.lines) {
        const [name, width, dash] = LOOKS[line.look];
        const c = { value: colour(name) };
        area?.glyph.setv({ fill_color: colour(name), fill_alpha: 1 });
        glyph?.glyph.setv({ line_color: area ? { value: colour("pale") } : c, line_width: { value: width }, line_dash: { value: dash } });
        dots?.glyph.setv({ fill_color: c, line_color: c });
      }
      for (const { level, glyph } of this.levels) {
        const [name, width, dash] = LOOKS[level.look];
        glyph.glyph.setv({ line_color: { value: colour(name) }, line_width: { value: width }, line_dash: { value: dash } });
      }
    }
    draw(a, b, zero) {
      let low = Infinity, high = -Infinity; // prettier-ignore
      for (const one of this.lines) {
        if (!one.axis.n) continue;
        const data = thinned(one.axis, one.column, a, b, zero, this.strip.room * 1.25, one.line.stepped);
        one.source.data = { x: data.x, y: data.y };
        if (one.dots) one.dots.visible = one.line.look === "dots" || (data.exact && data.count < 100);
        if (!one.line.scaled) continue;
        low = Math.min(low, data.low);
        high = Math.max(high, data.high);
      }
      for (const { level, source } of this.levels) {
        source.data = { x: [a - zero, b - zero], y: [level.value, level.value] };
        if (level.value <= 2.2 * high || this.spec.bottom === null) {
          low = Math.min(low, level.value);
          high = Math.max(high, level.value);
        }
      }
      if (low > high) [low, high] = [0, 1];
      if (this.spec.least_top !== null) high = Math.max(high, this.spec.least_top);
      const bottom = this.spec.bottom !== null ? Math.min(this.spec.bottom, low) : low;
      const span = high - bottom || Math.abs(high) || 1;
      this.ranges(a - zero, b - zero, bottom < 0 || this.spec.bottom === null ? bottom - 0.06 * span : bottom, high + 0.1 * span);
    }
    read(x) {
      for (const { column, axis, value } of this.lines) {
        const inside = x !== null && axis.n && x >= axis.at(0) - axis.fine && x <= axis.at(axis.n - 1) + axis.fine;
        value.textContent = inside ? shownNumber(column, axis.nearest(x)) : "";
      }
    }
  }

  class BandsPart extends Part {
    constructor(strip, spec, axis) {
      super(strip, spec, 34 * spec.rows.length + 10, axis);
      const n = spec.rows.length;
      this.bars = new Bokeh.ColumnDataSource({ data: this.empty() });
      this.names = new Bokeh.ColumnDataSource({ data: { x: [], y: [], text: [] } });
      this.quads = this.plot.quad({
        left: { field: "left" }, right: { field: "right" }, top: { field: "top" }, bottom: { field: "bottom" },
        fill_color: { field: "fill" }, hatch_pattern: { field: "hatch" }, hatch_scale: { value: 9 },
        hatch_weight: { value: 1 }, source: this.bars,
      }); // prettier-ignore
      this.texts = this.plot.text({
        x: { field: "x" }, y: { field: "y" }, text: { field: "text" }, text_align: { value: "center" },
        text_baseline: { value: "middle" }, text_font_size: { value: "14px" }, source: this.names,
      }); // prettier-ignore
      this.rows = spec.rows.map((row, i) => {
        const item = el("li");
        item.append(el("span", "", row.label + ":"));
        const value = el("b");
        item.append(value);
        this.legend.append(item);
        const column = this.strip.series[row.series].columns[row.column];
        const bars = new Map(row.bars), words = new Map(row.words); // prettier-ignore
        return { row, column, bars, words, axis: this.strip.axes[row.series], level: n - 1 - i, value };
      });
      const labels = new Map(this.rows.map((one) => [one.level, one.row.label]));
      this.plot.left[0].setv({
        major_label_text_font_size: "13px", ticker: new Bokeh.FixedTicker({ ticks: [...labels.keys()] }), major_label_overrides: labels, major_tick_line_color: null,
      }); // prettier-ignore
      this.key();
    }
    empty() {
      return { left: [], right: [], top: [], bottom: [], fill: [], hatch: [] };
    }
    /** What the patterns mean: those that occur, each once. */
    key() {
      const seen = new Set();
      for (const { row, column, bars, words } of this.rows) {
        const codes = new Set();
        for (const v of column.values) codes.add(v & row.mask);
        for (const code of [...bars.keys(), ...codes]) {
          const id = (bars.get(code) ?? "plain") + " " + words.get(code);
          if (!code || !codes.has(code) || !words.has(code) || seen.has(id)) continue;
          seen.add(id);
          const item = el("li");
          item.append(barSample(bars.get(code) ?? "plain"), el("span", "idle", words.get(code)));
          this.legend.append(item);
        }
      }
    }
    dress() {
      dress(this.plot, false);
      this.plot.left[0].setv({ major_tick_line_color: null });
      this.quads.glyph.setv({ line_color: { value: colour("soft") }, line_width: { value: 1 }, hatch_color: { value: colour("ink") } });
      this.texts.glyph.setv({ text_color: { value: colour("ink") }, background_fill_color: { value: colour("paper") },
        background_fill_alpha: { value: 0.9 }, padding: 2 }); // prettier-ignore
    }
    draw(a, b, zero) {
      const data = this.empty();
      const names = { x: [], y: [], text: [] };
      const room = this.strip.room;
      for (const one of this.rows) {
        const { axis, level, bars, words } = one;
        if (!axis.n) continue;
        for (const [code, from, to] of this.spans(one, a, b)) {
          const left = Math.max(from, a), right = Math.min(to, b); // prettier-ignore
          if (right <= left) continue;
          const [fill, hatch] = BARS[bars.get(code) ?? "plain"];
          data.left.push(left - zero);
          data.right.push(right - zero);
          data.top.push(level + 0.38);
          data.bottom.push(level - 0.38);
          data.fill.push(colour(fill));
          data.hatch.push(hatch);
          const name = words.get(code) ?? String(code);
          if (((right - left) / (b - a)) * room > 8.5 * name.length + 14) {
            names.x.push((left + right) / 2 - zero);
            names.y.push(level);
            names.text.push(name);
          }
        }
      }
      this.bars.data = data;
      this.names.data = names;
      this.ranges(a - zero, b - zero, -0.55, this.rows.length - 0.45);
    }
    /** Stretches of one number: [number, from, to]; of those on one pixel the strongest. */
    spans({ row, column, bars, axis }, a, b) {
      const [i0, i1] = axis.range(a, b);
      const step = stride(i1 - i0 + 1, this.strip.room);
      const rank = new Map([...bars.keys()].map((code, place) => [code, place]));
      const found = [];
      let code = null, from = 0; // prettier-ignore
      for (let i = Math.floor(i0 / step) * step; i <= i1; i += step) {
        let best = 0, place = Infinity; // prettier-ignore
        for (let j = i; j < Math.min(i + step, column.n); j++) {
          const v = column.values[j] & row.mask;
          if (v === best || !v) continue;
          const its = rank.get(v) ?? 1e9;
          if (its < place) [best, place] = [v, its];
        }
        if (best !== code) {
          if (code) found.push([code, axis.at(from), axis.at(i)]);
          [code, from] = [best, i];
        }
      }
      if (code) found.push([code, axis.at(from), axis.at(i1) + axis.fine]);
      return found;
    }
    read(x) {
      for (const { row, column, words, axis, value } of this.rows) {
        const code = x === null || !axis.n ? null : column.values[axis.nearest(x)] & row.mask;
        value.textContent = code === null ? "" : (words.get(code) ?? (code ? String(code) : "none"));
      }
    }
  }

  class EventsPart extends Part {
    constructor(strip, spec, axis) {
      super(strip, spec, 20 * spec.names.length + 16, axis);
      const n = spec.names.length;
      this.at = (i) => spec.first + spec.tick.values[i] * spec.step;
      const source = () => new Bokeh.ColumnDataSource({ data: { x: [], y: [] } });
      this.fired = source();
      this.skipped = source();
      this.shares = new Bokeh.ColumnDataSource({ data: { left: [], right: [], top: [], bottom: [] } });
      const xy = { x: { field: "x" }, y: { field: "y" } };
      this.firedMarks = this.plot.scatter({ ...xy, source: this.fired, marker: { value: "dash" }, angle: { value: Math.PI / 2 }, size: { value: 11 } });
      this.skippedMarks = this.plot.scatter({ ...xy, source: this.skipped, marker: { value: "square_x" }, size: { value: 11 } });
      this.bars = this.plot.quad({ left: { field: "left" }, right: { field: "right" }, top: { field: "top" },
        bottom: { field: "bottom" }, source: this.shares }); // prettier-ignore
      this.plot.left[0].setv({
        ticker: new Bokeh.FixedTicker({ ticks: spec.names.map((_, i) => n - 1 - i) }),
        major_label_overrides: new Map(spec.names.map((name, i) => [n - 1 - i, name])),
      }); // prettier-ignore
      this.one = this.entry(svg([["line", { x1: 17, y1: 2, x2: 17, y2: 14, "stroke-width": 2, style: stroke("ink") }]]), "fired");
      this.entry(svg([["rect", { x: 11, y: 2, width: 12, height: 12, style: "fill: var(--bar-3); stroke: var(--ink)" }],
        ["path", { d: "M11 2 L23 14 M23 2 L11 14", style: stroke("ink") }]]), "skipped"); // prettier-ignore
      this.note = this.entry(svg([["rect", { x: 8, y: 6, width: 18, height: 8, style: "fill: var(--orange)" }]]), "wide view: height is the share skipped");
    }
    dress() {
      dress(this.plot, false);
      const ink = { value: colour("ink") };
      this.firedMarks.glyph.setv({ line_color: ink, line_width: { value: 1.6 } });
      this.skippedMarks.glyph.setv({ line_color: ink, fill_color: { value: colour("bar-3") } });
      this.bars.glyph.setv({ fill_color: { value: colour("orange") }, line_color: null });
    }
    /** The first event at or after a place on the axis. */
    first(x) {
      const { tick } = this.spec;
      let low = 0, high = tick.n; // prettier-ignore
      while (low < high) {
        const middle = (low + high) >> 1;
        if (this.at(middle) < x) low = middle + 1;
        else high = middle;
      }
      return low;
    }
    draw(a, b, zero) {
      const { place, off, names } = this.spec;
      const n = names.length;
      const from = this.first(a), to = this.first(b + this.spec.step); // prettier-ignore
      const room = this.strip.room;
      const fired = { x: [], y: [] }, skipped = { x: [], y: [] }; // prettier-ignore
      const shares = { left: [], right: [], top: [], bottom: [] };
      if ((to - from) / n <= room / 7) {
        for (let i = from; i < to; i++) {
          const into = off.values[i] ? skipped : fired;
          into.x.push(this.at(i) - zero);
          into.y.push(n - 1 - place.values[i]);
        }
      } else {
        const columns = Math.round(room / 4);
        const all = new Float64Array(columns * n), left = new Float64Array(columns * n); // prettier-ignore
        for (let i = from; i < to; i++) {
          const at = clamp(Math.floor(((this.at(i) - a) / (b - a)) * columns), 0, columns - 1);
          all[at * n + place.values[i]]++;
          if (off.values[i]) left[at * n + place.values[i]]++;
        }
        for (let at = 0; at < columns; at++) {
          for (let k = 0; k < n; k++) {
            if (!left[at * n + k]) continue;
            shares.left.push(a + ((b - a) * at) / columns - zero);
            shares.right.push(a + ((b - a) * (at + 1)) / columns - zero);
            shares.bottom.push(n - 1 - k - 0.42);
            shares.top.push(n - 1 - k - 0.42 + (0.84 * left[at * n + k]) / all[at * n + k]);
          }
        }
      }
      this.fired.data = fired;
      this.skipped.data = skipped;
      this.shares.data = shares;
      this.note.parentElement.style.display = shares.left.length ? "" : "none";
      this.ranges(a - zero, b - zero, -0.7, n - 0.3);
    }
    read(x) {
      let text = "";
      if (x !== null) {
        const i = this.first(x + this.spec.step / 2) - 1;
        if (i >= 0) {
          const { place, off, names } = this.spec;
          text = `· cylinder ${names[place.values[i]]} ${off.values[i] ? "skipped" : "fired"} last`;
        }
      }
      if (!this.last) {
        this.last = el("li", "idle");
        this.legend.append(this.last);
      }
      this.last.textContent = text;
    }
  }

  // --- points

  class Points {
    constructor(spec) {
      this.spec = spec;
      this.figure = document.getElementById("figure-" + spec.name);
      this.plots = this.figure.querySelector(".plots");
      this.tip = this.figure.querySelector(".tip");
      this.all = [];
      this.now = -1;
    }

    async start() {
      const { spec } = this;
      const head = el("div", "head");
      const legend = el("ul", "legend");
      head.append(legend);
      const stage = el("div", "stage");
      const place = el("div", "plot");
      place.setAttribute("role", "img");
      place.setAttribute("aria-label", spec.title);
      const glass = el("div", "glass");
      this.halo = el("i", "halo");
      glass.append(this.halo);
      stage.append(place, glass);
      this.plots.append(head, stage);
      const made = (this.plot = plot(spec.height));
      made.below[0].setv({ axis_label: spec.x_label, axis_label_text_font_size: "15px", axis_label_text_font_style: "normal" });
      made.left[0].setv({ axis_label: spec.y_label, axis_label_text_font_size: "15px", axis_label_text_font_style: "normal" });
      if (spec.x_words.length) {
        made.below[0].setv({ ticker: new Bokeh.FixedTicker({ ticks: spec.x_words.map((_, i) => i) }),
          major_label_overrides: new Map(spec.x_words.map((word, i) => [i, word])) }); // prettier-ignore
      }
      this.limits = spec.limits.map(([axis, value, label]) => {
        const item = el("li");
        item.append(lineSample("limit-dashed"), el("span", "", label));
        legend.append(item);
        return { span: new Bokeh.Span({ location: value, dimension: axis === "x" ? "height" : "width", line_width: 1.6, line_dash: [8, 4] }) };
      });
      for (const { span } of this.limits) made.add_layout(span);
      const drawn = (v, range) => Number.isFinite(v) && (!range || (v >= range[0] && v <= range[1]));
      this.groups = spec.groups.map((group) => {
        const [x, y] = [group.x, group.y].map((all) => all.map((v) => v ?? NaN));
        const source = new Bokeh.ColumnDataSource({ data: { x, y } });
        const [marker, size] = MARKS[group.look];
        const xy = [{ field: "x" }, { field: "y" }];
        const one = { group };
        if (group.joined) one.line = made.line(...xy, { source });
        if (size) one.marks = made.scatter(...xy, { source, marker: { value: marker }, size: { value: size } });
        if (group.label) {
          const item = el("li");
          item.append(markSample(group.look), el("span", "", group.label));
          legend.append(item);
        }
        group.tips.forEach((tip, i) => {
          const [x, y] = [group.x[i], group.y[i]];
          if (drawn(x, spec.x_range) && drawn(y, spec.y_range)) this.all.push({ x, y, tip, id: group.ids[i] });
        });
        return one;
      });
      this.all.sort((p, q) => p.x - q.x || p.y - q.y);
      this.scale("x_range", spec.x_range, (group) => group.x, spec.limits.filter((l) => l[0] === "x"));
      this.scale("y_range", spec.y_range, (group) => group.y, spec.limits.filter((l) => l[0] === "y"));
      this.dress();
      this.shown = await show(made, place);
      this.stage = stage;
      plotted.push(this);
      restyled.push(() => this.dress());
      this.listen(glass);
    }

    scale(name, given, values, limits) {
      let low = Infinity, high = -Infinity; // prettier-ignore
      if (given) [low, high] = given;
      else {
        for (const group of this.spec.groups) for (const v of values(group)) if (Number.isFinite(v)) { low = Math.min(low, v); high = Math.max(high, v); }
        for (const [, v] of limits) { low = Math.min(low, v); high = Math.max(high, v); }
        if (low > high) [low, high] = [0, 1];
        const margin = 0.06 * (high - low || Math.abs(high) || 1);
        low = low >= 0 && low < 4 * margin ? Math.min(0, low) - (low > 0 ? 0 : margin / 2) : low - margin;
        high += margin;
      }
      this.plot[name].setv({ start: low, end: high });
    }

    dress() {
      dress(this.plot);
      for (const axis of [this.plot.below[0], this.plot.left[0]]) axis.setv({ axis_label_text_color: colour("ink") });
      for (const { span } of this.limits) span.setv({ line_color: colour("orange") });
      for (const { group, line, marks } of this.groups) {
        const [, , name, filled] = MARKS[group.look];
        const c = { value: colour(name) };
        const dash = LOOKS[group.look]?.[2] ?? (group.look === "line-dashed" ? [8, 4] : []);
        line?.glyph.setv({ line_color: c, line_width: { value: 1.8 }, line_dash: { value: dash } });
        marks?.glyph.setv({ line_color: c, line_width: { value: MARKS[group.look][0] === "x" ? 3 : 1.4 },
          fill_color: filled ? c : { value: colour("paper") } }); // prettier-ignore
      }
    }

    pixel(point) {
      const box = this.shown.frame.bbox;
      const { x_range: h, y_range: v } = this.plot;
      return [box.x0 + ((point.x - h.start) / (h.end - h.start)) * (box.x1 - box.x0),
        box.y1 - ((point.y - v.start) / (v.end - v.start)) * (box.y1 - box.y0)]; // prettier-ignore
    }

    listen(glass) {
      const near = (event) => {
        const box = glass.getBoundingClientRect();
        let best = -1, least = 30; // prettier-ignore
        this.all.forEach((point, i) => {
          const [x, y] = this.pixel(point);
          const far = Math.hypot(x - (event.clientX - box.left), y - (event.clientY - box.top));
          if (far < least) [best, least] = [i, far];
        });
        return best;
      };
      glass.addEventListener("pointermove", (event) => {
        const i = near(event);
        if (i >= 0) this.light(i);
      });
      glass.addEventListener("pointerdown", (event) => {
        const i = near(event);
        if (i < 0) return;
        this.light(i);
        const row = rowOf(this.all[i].id);
        if (row) row.scrollIntoView({ block: "nearest" });
      });
      this.plots.addEventListener("keydown", (event) => {
        const by = { ArrowLeft: -1, ArrowUp: -1, ArrowRight: 1, ArrowDown: 1 }[event.key];
        if (!by || !this.all.length) return;
        event.preventDefault();
        this.light((this.now + by + this.all.length) % this.all.length);
      });
      new ResizeObserver(() => this.now >= 0 && requestAnimationFrame(() => this.light(this.now))).observe(this.plots);
    }

    light(i) {
      this.now = i;
      const point = this.all[i];
      const [x, y] = this.pixel(point);
      this.halo.style.display = "block";
      this.halo.style.left = x + "px";
      this.halo.style.top = y + "px";
      this.tip.textContent = point.tip;
      lightRow(point.id);
    }
  }

  const rowOf = (id) => (id ? [...document.querySelectorAll("tr[data-id]")].find((row) => row.dataset.id === id) : undefined);

  function lightRow(id) {
    for (const row of document.querySelectorAll("tr.lit")) row.classList.remove("lit");
    rowOf(id)?.classList.add("lit");
  }

  /** Puts the rows of a table in order: numbers by size, words by letters, up and then down. */
  function sort(title) {
    const place = title.cellIndex;
    const down = title.getAttribute("aria-sort") === "ascending";
    for (const other of title.parentElement.cells) other.removeAttribute("aria-sort");
    title.setAttribute("aria-sort", down ? "descending" : "ascending");
    const body = title.closest("table").tBodies[0];
    const value = (row) => {
      const text = row.cells[place].textContent.trim();
      const number = parseFloat(text);
      return Number.isNaN(number) ? text : number;
    };
    const rows = [...body.rows].map((row) => [value(row), row]);
    // Numbers come before words, so that any three rows have one order.
    const order = (p, q) => {
      if (typeof p !== typeof q) return typeof p === "number" ? -1 : 1;
      return typeof p === "number" ? p - q : p.localeCompare(q);
    };
    rows.sort(([p], [q]) => (down ? -order(p, q) : order(p, q)));
    body.append(...rows.map(([, row]) => row));
  }

  // --- the page

  const strips = {}, clouds = []; // prettier-ignore

  function follow(event) {
    const button = event.target.closest("button");
    if (!button) return;
    if (button.classList.contains("sort")) return sort(button.closest("th"));
    const { figure, start, stop, at, from, to, point } = button.dataset;
    if (point !== undefined) {
      for (const cloud of clouds) {
        const i = cloud.all.findIndex((one) => one.id === point);
        if (i >= 0) cloud.light(i);
      }
      lightRow(point);
      return;
    }
    if (figure === undefined || !strips[figure]) return;
    for (const other of document.querySelectorAll("[aria-current]")) other.removeAttribute("aria-current");
    for (const same of document.querySelectorAll(`button[data-figure]`)) {
      if (same.dataset.figure === figure && same.dataset.start === start && same.dataset.at === at) same.setAttribute("aria-current", "true");
    }
    const strip = strips[figure];
    strip.jump(+start, +stop, +at, from === undefined ? null : [+from, +to]);
    const top = strip.plots.getBoundingClientRect();
    if (top.top < 0 || top.top > innerHeight * 0.6) strip.figure.scrollIntoView({ block: "start" });
  }

  /** Says so where a table is wider than there is room for. */
  function watchTables() {
    const look = new ResizeObserver((seen) => {
      for (const { target } of seen) {
        const table = target.closest(".table");
        table.classList.toggle("more", table.scrollWidth > table.clientWidth + 4);
      }
    });
    for (const table of document.querySelectorAll(".table")) for (const one of [table, table.firstElementChild]) look.observe(one);
  }

  async function main() {
    setScheme();
    watchTables();
    wide.addEventListener("change", setScheme);
    printing.addEventListener("change", () => setPaper(printing.matches));
    addEventListener("beforeprint", () => setPaper(true));
    addEventListener("afterprint", () => setPaper(false));
    document.getElementById("scheme").addEventListener("click", () => {
      asked = root.dataset.scheme === "dark" ? "light" : "dark";
      setScheme();
    });
    document.getElementById("print").addEventListener("click", () => print());
    document.addEventListener("click", follow);
    const figures = JSON.parse(document.getElementById("figures").textContent);
    for (const spec of figures) {
      const one = spec.kind === "strip" ? new Strip(spec) : new Points(spec);
      await one.start();
      if (spec.kind === "strip") strips[spec.name] = one;
      else clouds.push(one);
    }
    if (printing.matches) setPaper(true);
    root.dataset.ready = "true";
    return { strips, clouds };
  }

  window.liftlatch = main();
  window.liftlatch.catch((error) => {
    const text = "The pictures could not be drawn by this browser; all tables and texts are here. ";
    document.querySelector("nav").after(el("p", "alarm", text + error));
  });
})();
