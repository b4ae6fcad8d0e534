// A clip's value against time, its pictures, and the runs cut out of it.

import { get, inTurn, post, turns } from "./api.js";
import { Chart } from "./chart.js";
import { clear, clock, h, later, query } from "./dom.js";
import { empty } from "./next.js";

const PICTURES = 10;
const FLAG_WORDS = {
  ok: "", corrected: "corrected by hand", no_link: "no link shown", hidden: "no number shown",
  unreadable: "not read with certainty", range: "outside the limits", spike: "brief jump",
  format: "unusual form", frozen: "the picture stood still",
};

export function show(root, page) {
  if (!page.session.clips.length) {
    root.append(empty(page, "No clips yet"));
    return {};
  }
  return new Looking(root, page);
}

class Looking {
  constructor(root, page) {
    this.page = page;
    this.turn = turns();
    const { clips, fields } = page.session;
    const wanted = page.parameters.get("clip");
    this.clip = clips.some((c) => c.clip === wanted) ? wanted : clips[0].clip;
    this.field = page.parameters.get("field") ?? fields[0]?.name ?? null;
    this.at_s = Number(page.parameters.get("t") ?? 0);
    this.span = null;
    this.parts = {
      tools: h("div", { class: "row" }), pictures: h("div", { class: "film" }), note: h("div"),
      seen: h("aside", { class: "panel seen", "aria-live": "polite" }), runs: h("section", { class: "panel runs" }),
    };
    this.chart = new Chart({ hover: (i, t) => this.hovered(i, t), brushed: (span, t) => this.brushed(span, t) });
    root.append(this.parts.tools, this.parts.pictures, this.parts.note, this.chart.element,
      h("div", { class: "below" }, this.parts.seen, this.parts.runs));
    this.showCrop = later(60, (t) => this.drawCrop(t));
    this.showFrame = later(60, (t) => this.drawFrame(t));
    this.load();
  }

  leave() {
    this.chart.leave();
  }

  get info() {
    return this.page.session.clips.find((c) => c.clip === this.clip);
  }

  get runs() {
    return this.page.session.rows.filter((r) => r.clips.includes(this.clip)).map((row) => ({
      files: row.clips.length,
      row, name: row.cells.run || row.clips[0],
      start: Number((row.cells.start_s || "0").replace(",", ".")),
      end: row.cells.end_s ? Number(row.cells.end_s.replace(",", ".")) : null,
      part: Boolean(row.cells.start_s || row.cells.end_s),
    }));
  }

  async load() {
    const current = this.turn();
    // Nothing of the clip before stays beside the numbers of this one.
    for (const picture of [this.seen?.crop, this.seen?.frame]) picture?.removeAttribute("src");
    if (this.seen) clear(this.seen.words);
    this.drawTools();
    this.drawPictures();
    this.span = null;
    this.chart.mark(null);
    this.data = { times: [], values: [], flags: [], texts: [], shown: [], unit: "", duration_s: this.info.length_s };
    if (this.field) {
      try {
        const found = await get(`/api/series?${query({ clip: this.clip, field: this.field })}`);
        if (!current()) return;
        this.data = { ...this.data, ...found, duration_s: found.duration_s ?? this.info.length_s };
      } catch (error) {
        if (!current()) return;
        this.page.fail(error);
      }
    }
    this.drawAll();
    this.drawFrame(this.at_s);
    if (this.data.times.length) {
      const i = this.chart.nearest(this.at_s);
      this.tell(i, this.at_s);
      this.drawCrop(this.data.times[i]);
    } else this.tell(-1, this.at_s);
  }

  drawAll() {
    this.chart.show(this.data, this.runs);
    const few = !this.data.times.length;
    clear(this.parts.note, few && h("p", { class: "hint" }, this.field ? "Not read yet; the time line can be cut all the same." : "No number is marked yet."),
      this.data.stale && h("p", { class: "problem" }, "This was read with other marks than now; read again."));
    this.drawRuns();
  }

  drawTools() {
    const { clips, fields } = this.page.session;
    const step = (by) => {
      const i = clips.findIndex((c) => c.clip === this.clip) + by;
      if (clips[i]) this.change(clips[i].clip);
    };
    clear(this.parts.tools,
      h("button", { "aria-label": "Clip before", onclick: () => step(-1) }, "‹"),
      h("select", { "aria-label": "Clip", id: "series-clip", onchange: (e) => this.change(e.target.value) },
        clips.map((c) => h("option", { value: c.clip, selected: c.clip === this.clip }, c.clip))),
      h("button", { "aria-label": "Next clip", onclick: () => step(1) }, "›"),
      fields.length > 0 && h("label", {}, "Number ", h("select", { onchange: (e) => { this.field = e.target.value; this.load(); } },
        fields.map((f) => h("option", { value: f.name, selected: f.name === this.field }, f.name)))),
      h("span", { class: "grow" }),
      h("span", { class: "legend" }, ["corrected", "spike", "range", "unreadable", "no_link"].map((f) => h("span", { class: `key ${f}` }, FLAG_WORDS[f]))));
  }

  change(clip) {
    this.clip = clip;
    this.at_s = 0;
    this.load();
  }

  drawPictures() {
    const { length_s, version, width, message } = this.info;
    if (!width) return clear(this.parts.pictures, h("p", { class: "hint" }, message || "Looking at the clip…"));
    return clear(this.parts.pictures, Array.from({ length: PICTURES }, (_, i) => {
      const t = ((i + 0.5) / PICTURES) * length_s;
      return h("button", { title: clock(t), "aria-label": `Moment ${clock(t)}`, onclick: () => this.look(t) },
        h("img", { alt: "", loading: "lazy", src: `/api/frame?${query({ clip: this.clip, t: t.toFixed(2), w: 160, v: version })}` }));
    }));
  }

  look(t) {
    this.at_s = t;
    const i = this.data.times.length ? this.chart.nearest(t) : -1;
    this.tell(i, t);
    this.drawCrop(i >= 0 ? this.data.times[i] : null);
    this.drawFrame(t);
    this.drawRuns();
  }

  hovered(i, time) {
    this.tell(i, time);
    if (i >= 0) this.showCrop(this.data.times[i]);
  }

  tell(i, time) {
    if (!this.parts.seen.firstChild) {
      this.seen = { words: h("div", {}), crop: h("img", { class: "crop", alt: "" }), frame: h("img", { class: "frame", alt: "" }), when: h("small", {}) };
      this.parts.seen.append(this.seen.words, this.seen.crop, this.seen.frame, this.seen.when);
    }
    const d = this.data;
    clear(this.seen.words, i < 0 ? h("b", {}, clock(time)) : [
      h("b", {}, `${clock(d.times[i])}`), h("strong", { id: "seen-value" }, d.shown[i] ? `${d.shown[i]} ${d.unit}` : "–"),
      h("small", {}, `read “${d.texts[i]}”, confidence ${Math.round(100 * d.confidence[i])} %`),
      h("span", { class: "chip" }, FLAG_WORDS[d.flags[i]] ?? d.flags[i])]);
  }

  drawCrop(t) {
    this.seen.crop.hidden = t === null || !this.field || !this.info.width;
    if (!this.seen.crop.hidden) this.paint(this.seen.crop, `/api/crop?${query({ clip: this.clip, field: this.field, t, v: this.info.version })}`);
  }

  // Hidden until it is there: an old picture beside a new number would be believed.
  paint(picture, address) {
    if (picture.getAttribute("src") === address) return;
    picture.classList.add("coming");
    picture.onload = () => picture.classList.remove("coming");
    picture.src = address;
  }

  drawFrame(t) {
    if (!this.seen) this.tell(-1, t);
    this.seen.when.textContent = `Frame at ${clock(t)}`;
    if (this.info.width) this.paint(this.seen.frame, `/api/frame?${query({ clip: this.clip, t: t.toFixed(2), w: 640, v: this.info.version })}`);
  }

  brushed(span, time) {
    this.span = span && span[1] - span[0] > 0.2 ? span : null;
    this.at_s = time;
    this.hovered(this.data.times.length ? this.chart.nearest(time) : -1, time);
    this.drawFrame(time);
    this.drawRuns();
  }

  drawRuns() {
    const runs = this.runs;
    const [a, b] = this.span ?? [];
    clear(this.parts.runs, h("h2", { class: "sub" }, "Runs in this clip"),
      h("p", { class: "hint" }, this.span
        ? h("b", { id: "span" }, `${a.toFixed(1)} to ${b.toFixed(1)} s chosen.`)
        : "Drag over the chart to choose a stretch; click to choose a moment."),
      h("ul", { class: "plain" }, runs.map((run) => h("li", { class: "row" },
        h("span", { class: "grow" }, h("b", {}, run.name), " ", run.row.cells.antenna, " ", h("small", {},
          run.part ? `${run.start} to ${run.end ?? "end"} s` : run.files > 1 ? `file ${run.row.clips.indexOf(this.clip) + 1} of ${run.files}: one run` : "whole clip")),
        run.files > 1 ? null : this.span && h("button", { class: "set-span", onclick: () => this.setSpan(run, a, b) }, "Use the stretch"),
        run.files === 1 && !this.span && this.at_s > run.start + 0.2 && (run.end === null || this.at_s < run.end) && this.at_s < (this.data.duration_s ?? 0) - 0.2 &&
          h("button", { class: "cut", onclick: () => this.cut(run) }, `Cut at ${clock(this.at_s)}`),
        run.part && h("button", { onclick: () => this.setSpan(run, null, null) }, "Whole clip")))),
      this.span && runs.some((r) => r.part) && h("button", { id: "add-run", onclick: () => this.add(a, b) }, "A further run of this stretch"));
  }

  async change_(work) {
    try {
      this.page.edited("runs.csv", await inTurn(work));
      this.span = null;
      this.chart.mark(null);
      this.drawAll();
    } catch (error) {
      this.page.fail(error);
    }
  }

  setSpan({ row }, a, b) {
    return this.change_(() => post("/api/run/span", { key: row.key, start_s: a, end_s: b,
      old_start: row.cells.start_s ?? "", old_end: row.cells.end_s ?? "" }));
  }

  cut({ row }) {
    return this.change_(() => post("/api/run/split", { key: row.key, at_s: this.at_s }));
  }

  add(a, b) {
    return this.change_(() => post("/api/run/add", { clip: this.clip, start_s: a, end_s: b }));
  }

  update(session) {
    const text = JSON.stringify([session.rows, session.clips.find((c) => c.clip === this.clip)?.state]);
    if (this.drawn !== undefined && text !== this.drawn) {
      if (session.clips.some((c) => c.clip === this.clip)) this.load();
    }
    this.drawn = text;
  }
}
