// Planning an evening, and matching its clips: two rows of pictures, asked only where in doubt.

import { get, inTurn, post, turns } from "./api.js";
import { clear, h, later, query, seconds } from "./dom.js";
import { isAside } from "./next.js";

const KINDS = [
  ["split", "not yet: plan it, in a balanced random order"],
  ["full", "not yet: put up anew for every port too (takes longer)"],
  ["listed", "already recorded: in the order named, round by round"],
];
const BY = { created: "the recorder's clock", name: "the numbers in the names", modified: "the time of copying" };
const MARKS = { short: "short: a test, or broken off?", "goes on": "goes on where the one before ends" };
const WHAT = [["", "a run"], ["skip", "no run (test, retake)"], ["join", "goes on from before"]];

const names = (text) => text.split(/[,;\n]/).map((one) => one.trim()).filter(Boolean);
const numberOf = (text) => (text.trim() === "" ? null : Number(text.replace(",", ".")));

export function show(root, page) {
  const parts = { match: h("div"), plan: h("section", { class: "panel" }) };
  root.append(parts.match, parts.plan);
  const matching = new Matching(parts.match, page);
  const planning = new Planning(parts.plan, page);
  return {
    update(session) {
      matching.update(session);
      planning.update(session);
    },
  };
}

class Planning {
  constructor(root, page) {
    this.root = root;
    this.page = page;
    this.turn = turns();
    this.count = later(150, () => this.size());
    get("/api/plan").then((found) => this.draw(found)).catch((error) => page.fail(error));
  }

  draw(found) {
    const { session } = this.page;
    const recorded = session.clips.some((c) => c.state !== "aside");
    const unit = session.fields[0]?.unit ?? "Mbit/s";
    const field = (id, title, value, more = {}) => h("label", {}, h("span", {}, title),
      h("input", { id: `plan-${id}`, value: value ?? "", autocomplete: "off", oninput: () => this.count(), ...more }));
    const whole = { type: "number", min: 1, max: 50, step: 1 };
    const known = found.spreads;
    this.unit = unit;
    this.reference = h("select", { id: "plan-reference", onchange: () => this.count() });
    this.kind = h("select", { id: "plan-kind", onchange: () => this.count() },
      KINDS.map(([value, title]) => h("option", { value, selected: value === (recorded ? "listed" : "split") }, title)));
    clear(this.root, h("h2", {}, "Plan"),
      found.before && h("p", { class: "hint" }, `Antennas, ports and mountings are those of “${found.before}”.`),
      h("form", { class: "grid", id: "plan", onsubmit: (event) => event.preventDefault() },
        field("antennas", "Antennas, commas between", found.antennas.join(", "), { placeholder: "such as Slab, Coil, Fan" }),
        field("ports", "Ports, commas between", found.ports.join(", "), { placeholder: "such as Red, Green" }),
        field("mountings", "Times each antenna is put up anew", found.mountings, whole),
        field("companions", "On the other ports hangs", found.companions.join(", "), { placeholder: "one antenna, the same all evening" }),
        h("label", { class: "wide" }, h("span", {}, "The clips are"), this.kind),
        h("label", {}, h("span", {}, "Also at start, middle and end"), this.reference),
        field("repeats", "Clips for each mounting and port", 1, whole),
        this.later = [
          field("seconds", "Length of a clip, s", 60, { type: "number", min: 1, max: 3600 }),
          field("detect", `Difference that matters, ${unit}`, "", { inputmode: "decimal" }),
          field("sd", `Spread between mountings, ${unit}`, known?.mounting.toPrecision(2), { inputmode: "decimal" }),
          field("clip_sd", `Spread between clips, ${unit}`, known?.clip.toPrecision(2), { inputmode: "decimal" })]),
      this.said = h("div", { class: "said", id: "plan-size", "aria-live": "polite" }),
      this.act = h("div", { class: "row" }));
    this.size();
  }

  value(id) {
    return this.root.querySelector(`#plan-${id}`).value;
  }

  body() {
    const antennas = names(this.value("antennas"));
    const listed = this.kind.value === "listed";
    const before = this.reference.value;
    for (const one of [...this.later, this.reference.parentElement]) one.hidden = listed;  // what is recorded is past planning
    const choices = listed ? [["", "no antenna more often"]] : [["", "no antenna more often"], ...antennas.map((a) => [a, a])];
    clear(this.reference, choices.map(([value, title]) => h("option", { value, selected: value === before }, title)));
    return {
      antennas, ports: names(this.value("ports")), companions: names(this.value("companions")),
      mountings: Number(this.value("mountings")), repeats: Number(this.value("repeats")), seconds: Number(this.value("seconds")),
      kind: this.kind.value, reference: listed ? "" : this.reference.value, unit: this.unit,
      detect: numberOf(this.value("detect")), sd: numberOf(this.value("sd")), clip_sd: numberOf(this.value("clip_sd")),
    };
  }

  async size() {
    const body = this.body();
    const current = this.turn();
    if (body.antennas.length < 2 || !body.ports.length) {
      clear(this.said, h("p", { class: "hint" }, "Name at least two antennas and one port."));
      return clear(this.act);
    }
    try {
      const found = await post("/api/plan/size", body);
      if (!current()) return null;
      const asks = body.kind !== "listed" && body.detect !== null && body.sd === null;
      clear(this.said, h("p", {}, h("b", {}, `${found.clips} clips`), body.kind === "listed" ? " in this order: " + order(body)
        : `, about ${Math.round(found.minutes)} minutes, ${found.packs} battery ${found.packs === 1 ? "pack" : "packs"}.`),
        found.more && h("p", {}, found.more),
        body.kind !== "listed" && found.sentences.map((text) => h("p", {}, text)),
        asks && h("p", { class: "hint" }, "How many rounds that takes depends on how far mounting the same antenna again moves the number: the spread. The first evening shows it; until then three mountings of each are a fair beginning (common practice, no source)."));
      this.drawAct(body);
    } catch (error) {
      if (!current()) return null;
      clear(this.said, h("p", { class: "problem" }, error.message));
      clear(this.act);
    }
    return null;
  }

  drawAct(body) {
    const { rows, sheet } = this.page.session;
    const own = rows.some((r) => r.stored && r.clips.length && !r.drafted && !isAside(r));
    const sure = h("input", { type: "checkbox", id: "plan-replace" });
    clear(this.act,
      h("button", { class: "main", id: "plan-write", onclick: () => this.write(body, own ? sure.checked : true) },
        body.kind === "listed" ? "Put the clips beside these runs" : "Make the plan and the run sheet"),
      own && h("label", {}, sure, " in place of the table that is there (kept as .runs.csv.previous)"),
      sheet && h("a", { class: "button", href: "/api/file?name=run_sheet.html", target: "_blank", rel: "noopener" }, "Open the run sheet to print"));
  }

  async write(body, sure) {
    try {
      this.page.edited("runs.csv", await post("/api/plan", { ...body, replace: sure }));
      this.page.say(body.kind === "listed" ? "Look at the pairs above." : "The plan stands in runs.csv; the run sheet can be printed.");
      this.drawAct(body);
      scrollTo(0, 0);
    } catch (error) {
      this.page.fail(error);
    }
  }

  update(session) {
    if (this.act?.firstChild && this.sheet !== session.sheet) this.count();
    this.sheet = session.sheet;
  }
}

function order({ antennas, ports, mountings }) {
  const round = antennas.map((a) => ports.map((p) => `${a} ${p}`).join(", ")).join(", ");
  return mountings > 1 ? `${round}; ${mountings} times over.` : `${round}.`;
}

class Matching {
  constructor(root, page) {
    this.root = root;
    this.page = page;
    this.turn = turns();
    this.answers = null;
    this.by = "";
  }

  update(session) {
    const open = session.rows.filter((r) => r.stored && !r.clips.length);
    const free = session.rows.filter((r) => r.clips.length && (!r.stored || r.drafted));
    const text = JSON.stringify([open, free.map((r) => r.key)]);
    if (text === this.drawn) return;
    this.drawn = text;
    this.answers = this.proposed = null;
    if (open.length && free.length) this.load();
    else this.turn() && clear(this.root, open.length > 0 && h("section", { class: "panel" }, h("h2", {}, "Waiting for clips"),
      h("p", {}, `${open.length} planned ${open.length === 1 ? "run has" : "runs have"} no clip yet. Drop the recordings into this window.`)));
  }

  async load(focus = "") {
    const current = this.turn();
    try {
      const found = await post("/api/match", { by: this.by, answers: this.answers });
      if (!current()) return;
      // What was proposed counts as answered once it stands there to be looked at.
      this.proposed ??= found.doubts;
      this.answers ??= found.answers;
      this.draw(found);
      if (focus) this.root.querySelector(focus)?.focus();
    } catch (error) {
      if (current()) clear(this.root, h("section", { class: "panel" }, h("h2", {}, "Which clip is which run?"), h("p", { class: "problem" }, error.message),
        h("button", { onclick: () => this.again() }, "Begin again")));
    }
  }

  again() {
    this.answers = this.proposed = null;
    this.load();
  }

  say(list, name) {
    for (const key of ["skip", "join", "missing"]) this.answers[key] = this.answers[key].filter((one) => one !== name);
    if (list) this.answers[list].push(name);
  }

  draw(found) {
    const facts = new Map(this.page.session.clips.map((c) => [c.clip, c]));
    const odd = found.doubts.length + found.questions.length + found.notes.length;
    const first = found.pairs.map((p) => p.files[0]?.created).find(Boolean);
    clear(this.root, h("section", { class: "panel matching" }, h("h2", {}, "Which clip is which run?"),
      h("p", {}, `Above the run, below the clip, in the order of ${BY[found.by]}. `,
        found.questions.length ? "" : odd || found.skipped.length ? "Likely so: look at what is marked and what is set aside, then say yes." : "Everything fits."),
      found.questions.map((q) => h("p", { class: "problem" }, plainly(q))),
      found.notes.length > 0 && h("ul", { class: "hint" }, found.notes.map((n) => h("li", {}, n))),
      h("div", { class: "row" },
        h("button", { class: "main", id: "match-yes", disabled: found.questions.length > 0, onclick: () => this.fill() }, "Yes, these belong together"),
        h("label", {}, "In the order of ", h("select", { "aria-label": "Order of the clips", onchange: (e) => { this.by = e.target.value; this.load(); } },
          Object.entries(BY).map(([value, title]) => h("option", { value, selected: value === found.by }, title)))),
        h("button", { onclick: () => this.again() }, "Begin again")),
      h("ol", { class: "pairs" }, found.pairs.map((pair) => h("li", { class: "pair" },
        this.run(pair.run, found), pair.files.length ? pair.files.map((f, i) => this.clip(f, facts, found, first, i)) : h("div", { class: "noclip" }, "no clip left")))),
      found.missing.length > 0 && h("p", {}, "Not recorded: ", found.missing.map((run) => h("button", { class: "tag", onclick: () => { this.say(null, run.run); this.load(); } }, `${label(run)} ×`))),
      found.skipped.length > 0 && [h("h3", {}, "No run: these are set aside"), h("ul", { class: "pairs" }, found.skipped.map((f) =>
        h("li", { class: "pair" }, this.clip(f, facts, found, first, 0))))]));
  }

  run(run, found) {
    if (!run) return h("div", { class: "run none" }, "no run left");
    return h("div", { class: "run" }, h("b", {}, run.antenna || run.run), h("span", {}, [run.port, run.mounting && `mounting ${run.mounting}`].filter(Boolean).join(" · ")),
      found.pairs.length && h("button", { class: "quiet small", "aria-label": `${label(run)} was not recorded`, title: "This run was not recorded",
        onclick: () => { this.say("missing", run.run); this.load(); } }, "not recorded"));
  }

  clip(file, facts, found, first, i) {
    const { version, length_s } = facts.get(file.clip) ?? {};
    const now = this.answers.skip.includes(file.clip) ? "skip" : this.answers.join.includes(file.clip) ? "join" : "";
    const doubt = this.proposed?.includes(file.clip);
    const id = `what-${file.clip}`;
    return h("figure", { class: `${doubt ? "doubt" : ""}${i ? " further" : ""}` },
      h("img", { alt: "", width: 192, height: 108, src: `/api/frame?${query({ clip: file.clip, t: (length_s ?? 0) / 2, w: 320, v: version })}` }),
      h("figcaption", {}, h("b", {}, file.clip),
        h("small", {}, [file.created && since(file.created, first), file.length_s && seconds(file.length_s)].filter(Boolean).join(" · ")),
        (file.mark || doubt) && h("small", { class: "reason" }, doubt ? "one clip too many; is it this one?" : MARKS[file.mark]),
        h("select", { id, "aria-label": `What ${file.clip} is`, onchange: (e) => { this.say(e.target.value, file.clip); this.load(`[id="${CSS.escape(id)}"]`); } },
          WHAT.map(([value, title]) => h("option", { value, selected: value === now }, title)))));
  }

  async fill() {
    try {
      const session = await inTurn(() => post("/api/match/fill", { by: this.by, answers: this.answers }));
      this.answers = this.proposed = null;
      this.page.edited("runs.csv", session);
      this.page.say("Every clip has its run.");
      this.page.go("clips");
    } catch (error) {
      this.page.fail(error);
    }
  }
}

function label(run) {
  return [run.antenna || run.run, run.port, run.mounting].filter(Boolean).join(" ");
}

function plainly(question) {
  const counts = /^(\d+) planned runs?, (\d+) recordings?/.exec(question);
  if (!counts) return question.replace(/: say --by.*/, ": choose the order below.");
  return `${counts[1]} planned runs, ${counts[2]} clips: say below which clip is no run, which goes on from the one before, or which run was not recorded.`;
}

// When it was recorded: the time of day, and how long after the first.
function since(created, first) {
  const at = new Date(created);
  const minutes = first ? Math.round((at - new Date(first)) / 60000) : 0;
  return `${at.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hour12: false })}${minutes > 0 ? ` (+${minutes} min)` : ""}`;
}
