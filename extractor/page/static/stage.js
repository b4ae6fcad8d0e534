// A picture to draw one rectangle on: drag, move, resize, zoom, pan; all in the picture's pixels.

import { clear, h, s } from "./dom.js";

const LEAST_PX = 4;
const MOST_ZOOM = 16;
const CORNERS = [[0, 0], [0.5, 0], [1, 0], [0, 0.5], [1, 0.5], [0, 1], [0.5, 1], [1, 1]];

const wordsOf = (candidate) => candidate.texts.slice(0, 2).map((t) => t.replaceAll("~", "").trim()).join("  ");

export class Stage {
  constructor({ changed, picked }) {
    this.changed = changed;
    this.picked = picked;
    this.frame = [16, 9];
    this.box = null;
    this.touched = false;
    this.zoom = 1;
    this.centre = [0.5, 0.5];
    this.image = s("image", {});
    this.candidates = s("g", { class: "candidates" });
    this.drawn = s("g", {});
    this.shade = s("path", { class: "shade", "fill-rule": "evenodd" });
    this.element = s("svg", {
      class: "stage", tabindex: 0, role: "application",
      "aria-label": "Frame of the clip. Drag to draw a rectangle; arrow keys move it, Shift with arrow keys sizes it.",
      onpointerdown: (e) => this.down(e), onpointermove: (e) => this.move(e), onpointerup: (e) => this.up(e),
      onpointercancel: (e) => this.up(e), onkeydown: (e) => this.key(e), oncontextmenu: (e) => e.preventDefault(),
    }, this.image, this.shade, this.candidates, this.drawn);
    this.element.addEventListener("wheel", (e) => this.wheel(e), { passive: false });
    this.sized = new ResizeObserver(() => this.draw());
    this.sized.observe(this.element);
  }

  leave() {
    this.sized.disconnect();
  }

  buttons() {
    this.hand = h("button", { type: "button", title: "Move the picture (also: right mouse button)", "aria-pressed": "false",
      onclick: () => this.hand.setAttribute("aria-pressed", String(this.hand.getAttribute("aria-pressed") !== "true")) }, "Pan");
    const zoom = (by, text, title) => h("button", { type: "button", "aria-label": title, title, onclick: () => this.zoomTo(by ? this.zoom * by : 1) }, text);
    return h("span", { class: "row" }, zoom(1 / 1.5, "−", "Smaller"), zoom(1.5, "+", "Larger"), zoom(0, "Whole", "Whole picture"), this.hand);
  }

  picture(address, frame) {
    if (frame.join() !== this.frame.join()) {
      this.zoom = 1;
      this.centre = [0.5, 0.5];
      this.image.removeAttribute("href");
    }
    this.frame = frame;
    this.element.style.setProperty("--shape", frame[0] / frame[1]);
    this.wanted = address;
    const loading = new Image();
    loading.onload = () => {
      if (this.wanted === address) this.image.setAttribute("href", address);
    };
    loading.src = address;
    this.draw();
  }

  set(box) {
    this.box = box ? this.clamped(box) : null;
    this.draw();
  }

  // Where a candidate's words cover no other candidate: below it, above it, or beside it.
  free(candidate, candidates, size) {
    const [x, y, w, h_] = candidate.box;
    const width = wordsOf(candidate).length * size * 0.6;
    const spots = [[x, y + h_ + size], [x, y - size * 0.4], [x + w + 6, y + h_ * 0.5 + size * 0.3], [x - width - 6, y + h_ * 0.5 + size * 0.3]];
    const covers = ([left, base]) => candidates.some(({ box: [a, b, c, d] }) =>
      left < a + c && left + width > a && base - size < b + d && base + size * 0.3 > b) || base > this.frame[1] || base < size;
    const [left, base] = spots.find((spot) => !covers(spot)) ?? spots[0];
    return { x: Math.max(0, Math.min(left, this.frame[0] - width)), y: base };
  }

  suggest(candidates) {
    const size = Math.max(14, this.frame[1] / 45);
    clear(this.candidates, candidates.map((candidate, i) => {
      const [x, y, w, h_] = candidate.box;
      const pick = (event) => {
        event.stopPropagation();
        this.picked(candidate);
      };
      return s("g", { class: "candidate", tabindex: 0, role: "button", "aria-label": `Suggestion ${i + 1}: ${candidate.texts.join(", ")}`,
        onpointerdown: pick, onkeydown: (e) => e.key === "Enter" && pick(e) },
        s("rect", { x, y, width: w, height: h_ }),
        s("text", { ...this.free(candidate, candidates, size), "font-size": size }, wordsOf(candidate)));
    }));
  }

  get view() {
    const [width, height] = this.frame.map((v) => v / this.zoom);
    const clampTo = (c, part, whole) => Math.min(Math.max(c * whole - part / 2, 0), whole - part);
    return [clampTo(this.centre[0], width, this.frame[0]), clampTo(this.centre[1], height, this.frame[1]), width, height];
  }

  draw() {
    const [width, height] = this.frame;
    this.element.setAttribute("viewBox", this.view.join(" "));
    this.image.setAttribute("width", width);
    this.image.setAttribute("height", height);
    this.shade.setAttribute("d", "");
    if (!this.box) return clear(this.drawn);
    const [x, y, w, h_] = this.box;
    const shown = this.element.clientWidth || 800;
    const size = (10 * this.view[2]) / shown;
    this.shade.setAttribute("d", `M0 0H${width}V${height}H0Z M${x} ${y}h${w}v${h_}h${-w}Z`);
    return clear(this.drawn,
      s("rect", { class: "box", x, y, width: w, height: h_, "data-part": "move" }),
      // Outside the rectangle, so that they never cover the number.
      CORNERS.map(([cx, cy]) => s("rect", { class: "handle", x: x + cx * w + (cx - 1) * size, y: y + cy * h_ + (cy - 1) * size,
        width: size, height: size, "data-part": `${cx},${cy}` })));
  }

  point(event) {
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(this.element.getScreenCTM().inverse());
    return [at.x, at.y];
  }

  down(event) {
    if (event.button > 2) return;
    this.element.focus({ preventScroll: true });
    event.preventDefault();
    const panning = event.button !== 0 || this.hand?.getAttribute("aria-pressed") === "true";
    const part = panning ? "pan" : event.target.dataset?.part ?? "new";
    this.element.setPointerCapture(event.pointerId);
    this.drag = { part, from: this.point(event), box: this.box && [...this.box], centre: [...this.centre], client: [event.clientX, event.clientY] };
  }

  move(event) {
    const drag = this.drag;
    if (!drag) return;
    const at = this.point(event);
    const [dx, dy] = [at[0] - drag.from[0], at[1] - drag.from[1]];
    if (drag.part === "pan") {
      const scale = this.view[2] / this.element.clientWidth;
      const [px, py] = [event.clientX - drag.client[0], event.clientY - drag.client[1]];
      this.centre = [drag.centre[0] - (px * scale) / this.frame[0], drag.centre[1] - (py * scale) / this.frame[1]];
    } else if (drag.part === "new") {
      if (Math.hypot(dx, dy) * (this.element.clientWidth / this.view[2]) < 3) return;
      this.box = this.between(drag.from, at);
      this.touched = true;
    } else {
      this.box = drag.part === "move" ? this.moved(drag.box, dx, dy) : this.resized(drag.box, drag.part, dx, dy);
      this.touched = true;
    }
    this.draw();
  }

  up() {
    const part = this.drag?.part;
    this.drag = null;
    if (part && part !== "pan" && this.box) this.changed();
  }

  between(a, b) {
    const [left, top] = [Math.min(a[0], b[0]), Math.min(a[1], b[1])];
    return this.clamped([left, top, Math.abs(a[0] - b[0]), Math.abs(a[1] - b[1])]);
  }

  moved([x, y, w, h_], dx, dy) {
    const [width, height] = this.frame;
    return [Math.round(Math.min(Math.max(0, x + dx), width - w)), Math.round(Math.min(Math.max(0, y + dy), height - h_)), w, h_];
  }

  resized([x, y, w, h_], part, dx, dy) {
    const [cx, cy] = part.split(",").map(Number);
    let [left, top, right, bottom] = [x, y, x + w, y + h_];
    if (cx === 0) left = Math.min(left + dx, right - LEAST_PX);
    if (cx === 1) right = Math.max(right + dx, left + LEAST_PX);
    if (cy === 0) top = Math.min(top + dy, bottom - LEAST_PX);
    if (cy === 1) bottom = Math.max(bottom + dy, top + LEAST_PX);
    return this.clamped([left, top, right - left, bottom - top]);
  }

  clamped([x, y, w, h_]) {
    const [width, height] = this.frame;
    const left = Math.min(Math.max(0, Math.round(x)), width - LEAST_PX);
    const top = Math.min(Math.max(0, Math.round(y)), height - LEAST_PX);
    const right = Math.min(Math.max(left + LEAST_PX, Math.round(x + w)), width);
    const bottom = Math.min(Math.max(top + LEAST_PX, Math.round(y + h_)), height);
    return [left, top, right - left, bottom - top];
  }

  key(event) {
    const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (!step || !this.box || event.target !== this.element) return;
    event.preventDefault();
    const [dx, dy] = step.map((v) => v * (event.ctrlKey ? 10 : 1));
    this.box = event.shiftKey ? this.resized(this.box, "1,1", dx, dy) : this.moved(this.box, dx, dy);
    this.touched = true;
    this.draw();
    this.changed();
  }

  wheel(event) {
    event.preventDefault();
    this.zoomTo(this.zoom * Math.exp(-event.deltaY / 400), this.point(event));
  }

  zoomTo(zoom, around) {
    const fixed = around ?? (this.box ? [this.box[0] + this.box[2] / 2, this.box[1] + this.box[3] / 2] : [this.frame[0] / 2, this.frame[1] / 2]);
    const before = this.view;
    this.zoom = Math.min(Math.max(1, zoom), MOST_ZOOM);
    const share = around ? [(fixed[0] - before[0]) / before[2], (fixed[1] - before[1]) / before[3]] : [0.5, 0.5];
    this.centre = [0, 1].map((i) => (fixed[i] + (0.5 - share[i]) * (this.frame[i] / this.zoom)) / this.frame[i]);
    this.draw();
  }
}
