// Marking: draw a rectangle around a number and see at once what is read in it.

import { get, inTurn, post, turns } from "./api.js";
import { clear, clock, h, later, query } from "./dom.js";
import { empty } from "./next.js";
import { Stage } from "./stage.js";

const WAYS = [["", "not said yet"], ["higher", "higher"], ["lower", "lower"]];
const FLAGS = { ok: "", no_link: "no link shown", hidden: "nothing there", unreadable: "not sure" };
const NUMBERS = [["minimum", "Least possible"], ["maximum", "Most possible"], ["ceiling", "Link's ceiling"], ["low", "Link is out below"]];

export function show(root, page) {
  const usable = page.session.clips.filter((c) => c.width);
  if (!usable.length) {
    const waiting = page.session.clips.length > 0;
    root.append(waiting ? h("section", { class: "empty" }, h("h2", {}, "Looking at the clips…")) : empty(page, "No clips yet"));
    return { update: (session) => session.clips.some((c) => c.width) && reload(root, page) };
  }
  return new Marking(root, page, usable);
}

function reload(root, page) {
  clear(root);
  page.view = show(root, page);
  page.view.update?.(page.session);
}

class Marking {
  constructor(root, page, usable) {
    this.page = page;
    this.was = null;
    this.turn = turns();
    this.suggestions = null;
    this.strip = [];
    this.left = false;
    this.build(root);
    const first = page.session.fields[0];
    const wanted = page.parameters.get("clip");
    const start = usable.find((c) => c.clip === wanted) ?? usable[0];
    this.choose(first?.name ?? null);
    this.open(start.clip, (start.length_s ?? 0) / 2);
    this.warm();
    if (!page.session.fields.length) this.suggest();
  }

  build(root) {
    this.parts = {
      fields: h("div", { class: "row fields", role: "group", "aria-label": "Numbers" }),
      clip: h("select", { "aria-label": "Clip", onchange: () => this.open(this.parts.clip.value, 0.5) }),
      time: h("input", { type: "range", min: 0, step: 0.02, "aria-label": "Moment in the clip",
        oninput: () => this.slide() }),
      clock: h("output", {}),
      suggest: h("button", { id: "suggest", onclick: () => this.suggest() }, "Find the numbers"),
      hint: h("p", { class: "hint", "aria-live": "polite" }),
      here: h("div", { class: "here", id: "here", "aria-live": "polite" }),
      strip: h("div", { class: "strip", id: "strip" }),
      form: h("form", { class: "panel mark-form", onsubmit: (event) => this.save(event) }),
    };
    this.stage = new Stage({
      changed: () => this.live(),
      picked: (candidate) => this.take(candidate),
    });
    this.slide = later(90, () => this.open(this.clip, Number(this.parts.time.value)));
    this.live = later(20, () => this.ask());
    root.append(
      this.parts.fields,
      h("div", { class: "mark" },
        h("div", { class: "stage-side" },
          h("div", { class: "row tools" }, this.parts.clip, this.parts.time, this.parts.clock, this.stage.buttons(), this.parts.suggest),
          this.stage.element, this.parts.hint,
          h("h2", { class: "sub" }, "The same rectangle at other moments and in other clips"), this.parts.strip),
        h("div", {}, this.parts.here, this.parts.form)));
  }

  get fields() {
    return this.page.session.fields;
  }

  info(clip) {
    return this.page.session.clips.find((c) => c.clip === clip);
  }

  open(clip, time_s) {
    const info = this.info(clip);
    const moved = clip !== this.clip;
    this.clip = clip;
    this.time_s = Math.min(time_s, Math.max(0, (info.length_s ?? 0) - 0.05));
    this.parts.time.max = info.length_s ?? 0;
    this.parts.time.value = this.time_s;
    this.parts.clock.textContent = clock(this.time_s);
    this.stage.picture(`/api/frame?${query({ clip, t: this.time_s.toFixed(3), v: info.version })}`, [info.width, info.height]);
    this.parts.clip.value = clip;
    if (moved && !this.stage.touched) this.placeBox();
    this.showSuggestions();
    this.live();
  }

  placeBox() {
    const field = this.fields.find((f) => f.name === this.was);
    const { width, height } = this.info(this.clip) ?? {};
    this.stage.set(field ? boxFor(field, width, height) : null);
  }

  choose(name) {
    this.was = name;
    const field = this.fields.find((f) => f.name === name);
    this.drawForm(field ?? this.fresh());
    this.drawFields();
    this.stage.touched = false;
    if (this.clip) this.placeBox();
    this.say();
    this.live();
  }

  fresh() {
    const { usual } = this.page.session;
    const name = Object.keys(usual).find((n) => !this.fields.some((f) => f.name === n)) ?? "";
    return { name, decimals: null, better: "", unit: "", ...usual[name] };
  }

  drawFields() {
    const chip = (name, text) => h("button", { "aria-pressed": String(this.was === name), onclick: () => this.choose(name) }, text);
    clear(this.parts.fields, this.fields.map((f) => chip(f.name, f.name)), chip(null, "+ another number"));
  }

  drawForm(field) {
    const named = (name, title, input) => h("label", {}, h("span", {}, title), input);
    const text = (name, value, more = {}) => h("input", { name, value: value ?? "", ...more });
    clear(this.parts.form,
      h("h2", { class: "sub" }, this.was ? `Number “${this.was}”` : "A new number"),
      h("datalist", { id: "names" }, Object.keys(this.page.session.usual).map((value) => h("option", { value }))),
      named("name", "Name", text("name", field.name, { list: "names", required: true, oninput: (e) => this.usual(e.target.value) })),
      named("unit", "Unit", text("unit", field.unit)),
      named("decimals", "Digits after the point", h("select", { name: "decimals" },
        [["", "as read"], ["0", "0"], ["1", "1"], ["2", "2"], ["3", "3"]].map(([value, title]) =>
          h("option", { value, selected: value === String(field.decimals ?? "") }, title)))),
      named("better", "Better is", h("select", { name: "better" }, WAYS.map(([value, title]) =>
        h("option", { value, selected: value === field.better }, title)))),
      this.was && !field.better && h("p", { class: "problem" },
        `Is a higher or a lower ${field.name} better? Choose it above: until then nothing is called best or last by it.`),
      h("div", { class: "row" },
        h("button", { class: "main", type: "submit", id: "save" }, "Save"),
        this.was && h("button", { type: "button", onclick: () => this.remove() }, "Remove")),
      this.parts.asked = h("div", { "aria-live": "polite" }),
      h("details", { open: NUMBERS.some(([key]) => field[key] !== null && field[key] !== undefined) },
        h("summary", {}, "Limits"),
        NUMBERS.map(([key, title]) => named(key, title, text(key, field[key], { inputmode: "decimal" })))));
  }

  usual(name) {
    const form = this.parts.form;
    const usual = this.page.session.usual[name];
    if (this.was || !usual) return;
    form.unit.value = usual.unit;
    form.better.value = usual.better;
  }

  say(text) {
    clear(this.parts.hint, text ?? (this.stage.box
      ? "Drag the rectangle or its handles; arrow keys move it, Shift with arrows sizes it. Wheel: zoom. Leave room for one more digit."
      : this.offered
        ? "Numbers that change were found: click the dashed rectangle that is yours, or draw one."
        : "Draw a rectangle around the number, a little loose, without its unit."));
  }

  async ask() {
    const box = this.stage.box;
    this.say();
    if (!box) {
      clear(this.parts.here, h("span", { class: "hint" }, "What is read will stand here."));
      clear(this.parts.strip, h("p", { class: "hint" }, "Ten frames on which the rectangle is tried as soon as it is drawn."));
      return;
    }
    const current = this.turn();
    const began = performance.now();
    try {
      const found = await post("/api/live", { clip: this.clip, time_s: this.time_s, box, was: this.was ?? "" });
      if (!current() || this.left) return;
      this.showHere(found.here, performance.now() - began);
      this.showStrip(found.strip);
      if (found.strip.some((look) => look.pending)) this.warm();
    } catch (error) {
      if (current()) clear(this.parts.here, h("p", { class: "problem" }, error.message));
    }
  }

  showHere(read, took_ms) {
    const sure = read.flag === "ok" || read.flag === "no_link";
    clear(this.parts.here,
      h("span", { class: "hint" }, "Read here"),
      h("strong", { id: "read-here", class: sure ? "" : "unsure", title: `read: ${read.text}` }, plain(read.text) || "–"),
      h("span", {}, read.problem ?? FLAGS[read.flag] ?? "", read.problem ? "" : ` confidence ${Math.round(100 * (read.confidence ?? 0))} %`));
    this.parts.here.dataset.ms = took_ms.toFixed(0);
  }

  showStrip(looks) {
    clear(this.parts.strip, looks.map((look) => {
      const shape = look.problem && look.frame;
      const body = look.crop
        ? [h("img", { src: look.crop, alt: "" }), h("b", { class: ["ok", "no_link"].includes(look.flag) ? "" : "unsure" }, plain(look.text) || FLAGS[look.flag] || "–")]
        : [h("span", { class: "nocrop" }, look.pending ? "…" : shape ? `${look.frame[0]}×${look.frame[1]}: another shape; click to mark it here too` : look.problem)];
      return h("button", { class: `look ${look.flag ?? "problem"}`, title: look.problem ?? "Show this frame",
        onclick: () => this.open(look.clip, look.time_s) }, body, h("small", {}, `${look.clip} ${clock(look.time_s)}`));
    }));
  }

  // Which frames the strip has depends on which clips are open by then: a first list, taken while
  // some were still being opened, names other frames than the strip shows later.
  async warm() {
    if (this.warming) return;
    this.warming = true;
    try {
      const { looks } = await get("/api/strip");
      const wanted = JSON.stringify(looks);
      if (wanted === this.warmed) return;
      for (const look of looks) {
        if (this.left) return;
        await post("/api/strip/warm", look).catch(() => {});
      }
      this.warmed = wanted;
      this.live();
    } catch (error) {
      this.page.fail(error);
    } finally {
      this.warming = false;
    }
  }

  async suggest() {
    this.parts.suggest.disabled = true;
    this.parts.suggest.textContent = "Looking…";
    if (!this.stage.box) this.say("Looking for numbers that change… you can draw a rectangle yourself meanwhile.");
    try {
      await post("/api/suggest").catch((error) => { if (error.status !== 400) throw error; });
      let found;
      do {
        await new Promise((resolve) => setTimeout(resolve, 400));
        found = await get("/api/suggest");
      } while (found.state === "running" && !this.left);
      if (this.left) return;
      if (found.state === "failed") throw new Error(found.message);
      this.suggestions = found;
      const count = found.candidates?.length ?? 0;
      if (count) this.open(found.clip, found.time_s);
      else this.say("No changing number was found by itself; draw a rectangle around it.");
    } catch (error) {
      this.page.fail(error);
    }
    this.parts.suggest.disabled = false;
    this.parts.suggest.textContent = "Find the numbers";
  }

  showSuggestions() {
    const found = this.suggestions;
    const info = this.info(this.clip);
    const fits = found?.candidates && found.frame[0] === info.width && found.frame[1] === info.height;
    const free = (c) => !this.fields.some((f) => overlaps(boxFor(f, info.width, info.height), c.box));
    const offered = fits ? found.candidates.filter(free) : [];
    this.offered = offered.length > 0;
    this.stage.suggest(offered);
  }

  take(candidate) {
    if (this.was) this.choose(null);
    this.stage.set(candidate.box);
    this.stage.touched = true;
    if (candidate.decimals !== null) this.parts.form.decimals.value = String(candidate.decimals);
    this.live();
  }

  async save(event, insist = false) {
    event?.preventDefault();
    const box = this.stage.box;
    if (!box) return this.page.say("Draw a rectangle around the number first.", "bad");
    clear(this.parts.asked);
    const form = this.parts.form;
    const body = {
      seen: this.page.session.overlay, clip: this.clip, time_s: this.time_s, box,
      name: form.elements.name.value.trim(), insist, was: this.was ?? "", unit: form.unit.value,
      better: form.better.value, decimals: form.decimals.value === "" ? null : Number(form.decimals.value),
    };
    for (const [key] of NUMBERS) {
      const text = form[key].value.trim().replace(",", ".");
      body[key] = text === "" ? null : Number(text);
    }
    try {
      const { field } = await inTurn(() => post("/api/mark", body));
      this.was = field.name;
      this.stage.touched = false;
      await this.page.refresh();
      this.page.edited("overlay.toml", this.page.session);
      this.page.say(`${field.name} is saved.`);
      this.drawForm(field);
      this.drawFields();
      this.showSuggestions();
      this.saved(field);
    } catch (error) {
      if (error.asksConsent) this.askConsent(error);
      else this.page.fail(error);
    }
    return null;
  }

  askConsent(error) {
    clear(this.parts.asked, h("p", { class: "problem" }, `${error.message}.`),
      h("button", { type: "button", id: "insist", onclick: () => this.save(null, true) }, "Save it all the same"));
  }

  async saved(field) {
    clear(this.parts.hint, h("strong", { class: "kept" }, "✓ Saved. "), h("a", { href: "#/read" }, "Read the clips"), ", or mark another number.");
    const { strip } = await post("/api/preview", { name: field.name });
    if (!this.left && this.was === field.name) this.showStrip(strip);
  }

  async remove() {
    try {
      await post("/api/mark/remove", { seen: this.page.session.overlay, name: this.was });
      await this.page.refresh();
      this.page.edited("overlay.toml", this.page.session);
      this.choose(this.fields[0]?.name ?? null);
    } catch (error) {
      this.page.fail(error);
    }
  }

  update(session) {
    const text = JSON.stringify([session.fields, session.clips.map((c) => [c.clip, c.width])]);
    if (text === this.drawn) return;
    this.drawn = text;
    clear(this.parts.clip, session.clips.filter((c) => c.width).map((c) =>
      h("option", { value: c.clip, selected: c.clip === this.clip }, c.clip)));
    this.drawFields();
    if (this.was && !session.fields.some((f) => f.name === this.was)) this.choose(session.fields[0]?.name ?? null);
  }

  leave() {
    this.left = true;
    this.stage.leave();
  }
}

// The reader writes ~ for letters that it does not tell apart, such as a unit beside the number.
export function plain(text) {
  return (text ?? "").replaceAll("~", " ").trim();
}

// Where a field stands in a picture of this size; null where it was not marked on this shape.
export function boxFor(field, width, height) {
  const places = [{ frame: field.frame, box: field.box }, ...field.also];
  const same = places.find((p) => p.frame[0] === width && p.frame[1] === height);
  if (same) return [...same.box];
  const like = places.find((p) => Math.abs(width / height / (p.frame[0] / p.frame[1]) - 1) < 0.005);
  if (!like) return null;
  const [fx, fy] = [width / like.frame[0], height / like.frame[1]];
  const [x, y, w, h_] = like.box;
  const [left, top] = [Math.floor(x * fx), Math.floor(y * fy)];
  return [left, top, Math.min(width, Math.ceil((x + w) * fx)) - left, Math.min(height, Math.ceil((y + h_) * fy)) - top];
}

function overlaps(a, b) {
  if (!a) return false;
  const w = Math.min(a[0] + a[2], b[0] + b[2]) - Math.max(a[0], b[0]);
  const t = Math.min(a[1] + a[3], b[1] + b[3]) - Math.max(a[1], b[1]);
  return w > 0 && t > 0 && w * t > 0.3 * Math.min(a[2] * a[3], b[2] * b[3]);
}
