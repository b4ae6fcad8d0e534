// Value against time, drawn as plain SVG: line, flagged points, ceiling, runs, a brush.

import { clear, s } from "./dom.js";

const MARGIN = { left: 52, right: 12, top: 12, bottom: 30 };
const HEIGHT = 250;
const MOST_POINTS = 6000;

export function niceStep(span, count) {
  const raw = span / Math.max(1, count);
  const base = 10 ** Math.floor(Math.log10(raw));
  return base * ([1, 2, 5, 10].find((m) => m * base >= raw) ?? 10);
}

function ticks(low, high, count) {
  const step = niceStep(high - low, count);
  const found = [];
  for (let v = Math.ceil(low / step) * step; v <= high + step / 1e6; v += step) found.push(Number(v.toPrecision(10)));
  return found;
}

export class Chart {
  constructor({ hover, brushed }) {
    this.hover = hover;
    this.brushed = brushed;
    this.element = s("svg", { class: "chart", role: "img", "aria-label": "The value against time", height: HEIGHT,
      onpointermove: (e) => this.move(e), onpointerdown: (e) => this.down(e), onpointerup: () => this.up(), onpointerleave: () => this.point(null) });
    this.cursor = s("line", { class: "cursor" });
    this.dot = s("circle", { class: "dot", r: 4 });
    this.band = s("rect", { class: "brush" });
    this.back = s("g", {});
    this.element.append(this.back, this.band, this.cursor, this.dot);
    this.span = null;
    this.sized = new ResizeObserver(() => this.data && this.draw());
    this.sized.observe(this.element);
  }

  leave() {
    this.sized.disconnect();
  }

  show(data, runs) {
    this.data = data;
    this.runs = runs;
    this.draw();
  }

  mark(span) {
    this.span = span;
    this.drawBand();
  }

  draw() {
    const { times, values, flags, ceiling } = this.data;
    this.width = this.element.clientWidth || 900;
    this.end = Math.max(this.data.duration_s ?? 0, times.at(-1) ?? 0, 0.1);
    const shown = values.filter((v, i) => v !== null && ["ok", "corrected"].includes(flags[i]));
    const all = shown.length ? shown : values.filter((v) => v !== null);
    let [low, high] = [Infinity, -Infinity];
    for (const v of all) {
      low = Math.min(low, v);
      high = Math.max(high, v);
    }
    if (ceiling !== null && ceiling !== undefined) high = Math.max(high, ceiling);
    if (!Number.isFinite(low)) [low, high] = [0, 1];
    const room = (high - low || 1) * 0.08;
    [this.low, this.high] = [low >= 0 ? Math.max(0, low - room) : low - room, high + room];
    clear(this.back, this.axes(), this.runBands(), this.ceiling(ceiling), this.line(), this.flagged());
    this.drawBand();
  }

  x(t) {
    return MARGIN.left + (t / this.end) * (this.width - MARGIN.left - MARGIN.right);
  }

  y(v) {
    const share = (Math.min(Math.max(v, this.low), this.high) - this.low) / (this.high - this.low);
    return HEIGHT - MARGIN.bottom - share * (HEIGHT - MARGIN.top - MARGIN.bottom);
  }

  axes() {
    const right = this.width - MARGIN.right;
    const bottom = HEIGHT - MARGIN.bottom;
    return [
      ticks(this.low, this.high, 5).map((v) => [
        s("line", { class: "gridline", x1: MARGIN.left, x2: right, y1: this.y(v), y2: this.y(v) }),
        s("text", { class: "tick", x: MARGIN.left - 6, y: this.y(v) + 4, "text-anchor": "end" }, String(v))]),
      ticks(0, this.end, Math.max(3, this.width / 110)).map((t) =>
        s("text", { class: "tick", x: this.x(t), y: bottom + 18, "text-anchor": "middle" }, `${t} s`)),
      s("text", { class: "tick", x: 6, y: MARGIN.top + 4 }, this.data.unit),
    ];
  }

  runBands() {
    return this.runs.filter((r) => r.part).map((run) => {
      const [a, b] = [this.x(run.start), this.x(Math.min(run.end ?? this.end, this.end))];
      return [s("rect", { class: "run-band", x: a, y: MARGIN.top, width: Math.max(1, b - a), height: HEIGHT - MARGIN.top - MARGIN.bottom }),
        s("text", { class: "run-name", x: a + 4, y: MARGIN.top + 12 }, run.name)];
    });
  }

  ceiling(value) {
    if (value === null || value === undefined) return null;
    return [s("line", { class: "ceiling", x1: MARGIN.left, x2: this.width - MARGIN.right, y1: this.y(value), y2: this.y(value) }),
      s("text", { class: "tick", x: this.width - MARGIN.right, y: this.y(value) - 4, "text-anchor": "end" }, "ceiling")];
  }

  // Counted values; the line breaks where one is missing. Of long clips only every n-th is drawn.
  line() {
    const { times, values, flags } = this.data;
    const step = Math.max(1, Math.ceil(times.length / MOST_POINTS));
    let path = "";
    let open = false;
    for (let i = 0; i < times.length; i += step) {
      const good = values[i] !== null && (flags[i] === "ok" || flags[i] === "corrected");
      if (good) path += `${open ? "H" + this.x(times[i]).toFixed(1) + "V" : `M${this.x(times[i]).toFixed(1)} `}${this.y(values[i]).toFixed(1)}`;
      open = good;
    }
    return s("path", { class: "line", d: path });
  }

  flagged() {
    const { times, values, flags } = this.data;
    const bottom = HEIGHT - MARGIN.bottom;
    const found = [];
    for (let i = 0; i < times.length && found.length < MOST_POINTS; i += 1) {
      if (flags[i] === "ok") continue;
      const x = this.x(times[i]);
      if (values[i] === null) found.push(s("line", { class: `flag ${flags[i]}`, x1: x, x2: x, y1: bottom - 7, y2: bottom }));
      else found.push(s("circle", { class: `flag ${flags[i]}`, cx: x, cy: this.y(values[i]), r: 3.5 }));
    }
    return found;
  }

  timeAt(event) {
    const left = this.element.getBoundingClientRect().left;
    const share = (event.clientX - left - MARGIN.left) / (this.width - MARGIN.left - MARGIN.right);
    return Math.min(Math.max(0, share), 1) * this.end;
  }

  nearest(time) {
    const { times } = this.data;
    let [low, high] = [0, times.length - 1];
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (times[middle] <= time) low = middle;
      else high = middle;
    }
    return Math.abs(times[low] - time) <= Math.abs(times[high] - time) ? low : high;
  }

  down(event) {
    if (event.button !== 0) return;
    this.element.setPointerCapture(event.pointerId);
    this.from = this.timeAt(event);
  }

  move(event) {
    const time = this.timeAt(event);
    if (this.from !== undefined && Math.abs(this.x(time) - this.x(this.from)) > 4) {
      this.span = [Math.min(time, this.from), Math.max(time, this.from)];
      this.drawBand();
    }
    this.point(time);
  }

  up() {
    if (this.from === undefined) return;
    const time = this.from;
    this.from = undefined;
    this.brushed(this.span, time);
  }

  point(time) {
    if (time === null || !this.data) {
      this.element.classList.remove("hovering");
      return;
    }
    this.element.classList.add("hovering");
    const i = this.data.times.length ? this.nearest(time) : -1;
    const x = this.x(i >= 0 ? this.data.times[i] : time);
    for (const [name, value] of [["x1", x], ["x2", x], ["y1", MARGIN.top], ["y2", HEIGHT - MARGIN.bottom]]) this.cursor.setAttribute(name, value);
    const value = i >= 0 ? this.data.values[i] : null;
    this.dot.setAttribute("cx", x);
    this.dot.setAttribute("cy", value === null ? -20 : this.y(value));
    this.hover(i, time);
  }

  drawBand() {
    if (!this.data) return;
    const [a, b] = this.span ?? [0, 0];
    this.band.setAttribute("x", this.x(a));
    this.band.setAttribute("width", Math.max(0, this.x(b) - this.x(a)));
    this.band.setAttribute("y", MARGIN.top);
    this.band.setAttribute("height", this.span ? HEIGHT - MARGIN.top - MARGIN.bottom : 0);
  }
}
