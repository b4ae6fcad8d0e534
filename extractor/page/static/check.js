// Checking: doubtful readings as pictures, answers by mouse or keyboard, a sample as proof.

import { get, inTurn, post, turns } from "./api.js";
import { clear, clock, h, later, percent, query } from "./dom.js";
import { plain } from "./mark.js";
import { empty } from "./next.js";

const FLAGS = {
  ok: "counted", unreadable: "not counted", range: "not counted", spike: "not counted",
  format: "not counted", no_link: "no link", hidden: "hidden", frozen: "not counted",
};
const SIZES = [50, 100, 200, 400];

export function show(root, page) {
  if (!page.session.fields.length || !page.session.clips.some((c) => ["done", "cut", "stale"].includes(c.state))) {
    root.append(empty(page, "Nothing to check yet"));
    return {};
  }
  return new Checking(root, page);
}

class Checking {
  constructor(root, page) {
    this.page = page;
    this.turn = turns();
    this.mode = page.parameters.get("mode") === "sample" ? "sample" : "doubtful";
    this.field = page.parameters.get("field") ?? page.session.fields[0].name;
    this.count = 100;
    this.cards = [];
    this.at = 0;
    this.undone = [];
    this.left = false;
    this.parts = {
      head: h("div", { class: "row" }), said: h("div", { class: "said", "aria-live": "polite" }),
      grid: h("div", { class: "cards", id: "cards" }),
    };
    root.append(this.parts.head, this.parts.said,
      h("p", { class: "hint" }, h("kbd", {}, "Enter"), " right · type the number and ", h("kbd", {}, "Enter"), " · ",
        h("kbd", {}, "x"), " not readable · ", h("kbd", {}, "-"), " ", h("kbd", {}, "Enter"), " no link shown · ",
        h("kbd", {}, "↑"), h("kbd", {}, "↓"), " move · ", h("kbd", {}, "u"), " undo"),
      this.parts.grid);
    this.parts.undo = h("button", { id: "undo", disabled: true, onclick: () => this.undo() }, "Undo");
    this.onkey = (event) => this.key(event);
    document.addEventListener("keydown", this.onkey);
    this.reloadSoon = later(50, () => this.load());
    this.drawHead();
    this.load();
  }

  leave() {
    this.left = true;
    document.removeEventListener("keydown", this.onkey);
  }

  drawHead() {
    const mode = (name, text) => h("button", { "aria-pressed": String(this.mode === name), onclick: () => {
      this.mode = name;
      this.drawHead();
      this.load();
    } }, text);
    clear(this.parts.head,
      h("span", { class: "switch" }, mode("doubtful", "Doubtful readings"), mode("sample", "Random sample")),
      h("label", {}, "Number ", h("select", { onchange: (e) => { this.field = e.target.value; this.load(); } },
        this.page.session.fields.map((f) => h("option", { value: f.name, selected: f.name === this.field }, f.name)))),
      this.mode === "sample" && h("label", {}, "Size ", h("select", { onchange: (e) => { this.count = Number(e.target.value); this.load(); } },
        SIZES.map((n) => h("option", { value: n, selected: n === this.count }, n)))),
      h("span", { class: "grow" }),
      this.parts.undo);
  }

  async load() {
    const current = this.turn();
    const asked = query({ field: this.field, mode: this.mode, n: this.count });
    try {
      const found = await get(`/api/check?${asked}`);
      if (!current() || this.left) return;
      this.cards = found.cards;
      this.found = found;
      this.at = Math.max(0, this.cards.findIndex((c) => !answered(c)));
      this.drawSaid();
      clear(this.parts.grid, this.cards.map((card, i) => this.drawCard(card, i)));
      this.choose(this.at, false);
    } catch (error) {
      this.page.fail(error);
    }
  }

  drawSaid() {
    const found = this.found;
    const open = this.cards.filter((c) => !answered(c)).length;
    if (this.mode === "sample") return clear(this.parts.said, ...proof(found, this.cards, open));
    const rest = Math.max(0, found.open - this.cards.length);
    const text = open
      ? `${open + rest} doubtful readings to look at, most harmful first, the clips in turn.${rest ? ` The first ${this.cards.length} are shown.` : ""}`
      : found.open > this.cards.length ? "These are done; there are more." : `No doubtful reading is left; ${found.readings} instants were read.`;
    return clear(this.parts.said, h("p", {}, text), !open && h("div", { class: "row" },
      rest > 0 ? h("button", { class: "main", onclick: () => this.load() }, "Show more") : [
        h("button", { class: "main", onclick: () => { this.mode = "sample"; this.drawHead(); this.load(); } }, "Try a random sample"),
        h("button", { onclick: () => this.page.go("results") }, "To the results")]));
  }

  drawCard(card, i) {
    const version = this.page.session.clips.find((c) => c.clip === card.clip)?.version;
    const until = card.times.length > 1 ? ` – ${clock(card.times.at(-1))}` : "";
    const input = h("input", { inputmode: "decimal", autocomplete: "off", "aria-label": `The right number, ${card.clip} at ${clock(card.times[0])}`,
      placeholder: card.number || "number", onfocus: () => this.choose(i, false) });
    const element = h("article", { class: "card", "data-card": i, onclick: (e) => e.target.closest("button,input,a") || this.choose(i) },
      h("img", { alt: "", loading: i < 12 ? "eager" : "lazy", src: `/api/crop?${query({ clip: card.clip, field: card.field, t: card.times[0], v: version })}` }),
      h("div", { class: "row read" },
        h("strong", { title: `read: ${card.text}` }, plain(card.text) || "nothing read"),
        h("span", { class: "answer" }, word(card)),
        h("span", { class: "grow" }),
        h("small", {}, `${Math.round(100 * card.confidence)} %, ${FLAGS[card.flag] ?? card.flag}`)),
      h("small", { class: "reason" }, card.reason),
      h("div", { class: "row" }, input,
        h("button", { title: "It says what was read", disabled: !card.number && card.flag === "unreadable", onclick: () => this.right(i) }, "Right"),
        h("button", { title: "Nobody could read it", onclick: () => this.unreadable(i) }, "Not readable")),
      h("small", {}, h("a", { href: `#/series?${query({ clip: card.clip, field: card.field, t: card.times[0] })}` }, `${card.clip} ${clock(card.times[0])}${until}`)));
    element.classList.toggle("answered", answered(card));
    return element;
  }

  choose(i, focus = true) {
    if (!this.cards.length) return;
    this.at = Math.min(Math.max(0, i), this.cards.length - 1);
    this.now?.classList.remove("now");
    const element = this.now = this.parts.grid.children[this.at];
    element.classList.add("now");
    if (focus) element.querySelector("input").focus({ preventScroll: true });
    element.scrollIntoView({ block: "nearest" });
  }

  key(event) {
    if (!this.cards.length || event.altKey || event.metaKey) return;
    const input = event.target.closest?.(".card")?.querySelector("input") === event.target ? event.target : null;
    if (!input && event.target.closest?.("input,select,textarea,button,a")) return;
    const typed = input?.value.trim() ?? "";
    const act = {
      Enter: () => (typed ? this.typed(this.at, typed) : this.right(this.at)),
      ArrowDown: () => this.choose(this.at + 1),
      ArrowUp: () => this.choose(this.at - 1),
      x: () => this.unreadable(this.at),
      u: () => this.undo(),
      Escape: () => input && (input.value = ""),
    }[event.key];
    if (act && !event.ctrlKey) {
      event.preventDefault();
      act();
    } else if (event.ctrlKey && event.key === "z" && !typed) {
      event.preventDefault();
      this.undo();
    } else if (!input && /^[0-9,.-]$/.test(event.key)) {
      this.choose(this.at);
    }
  }

  right(i) {
    const card = this.cards[i];
    if (["ok", "corrected"].includes(card.flag)) this.answer(i, "right", null);
    else if (card.number) this.answer(i, "right", card.number);
    else if (card.flag !== "unreadable") this.answer(i, "right", null);
  }

  unreadable(i) {
    // What does not count anyway needs no correction.
    this.answer(i, "unclear", this.cards[i].flag === "ok" ? "" : null);
  }

  typed(i, text) {
    const value = text.replace(",", ".");
    if (!/^-{1,2}$/.test(value) && !/^-?\d+(\.\d+)?$/.test(value)) return this.page.say(`“${text}” is no number.`, "bad");
    const card = this.cards[i];
    if (card.number && Number(value) === Number(card.number)) return this.right(i);
    return this.answer(i, "wrong", /^-{1,2}$/.test(value) ? "--" : value);
  }

  answer(i, verdict, value) {
    const card = this.cards[i];
    this.undone.push({ card, verdict: card.verdict, before: [...card.before] });
    this.set(card, verdict, card.times.map(() => value));
    const next = this.cards.findIndex((c, k) => k > i && !answered(c));
    this.choose(next >= 0 ? next : i + 1);
  }

  set(card, verdict, values) {
    const changes = card.times.map((t, k) => [t, card.before[k], values[k]]).filter(([, a, b]) => a !== b);
    const body = { clip: card.clip, field: card.field, times: card.times, text: card.text, verdict, mode: this.mode, changes, n: this.count };
    card.verdict = verdict;
    card.before = values;
    const element = this.parts.grid.children[this.cards.indexOf(card)];
    if (element) {
      element.classList.toggle("answered", answered(card));
      element.querySelector(".answer").textContent = word(card);
      element.querySelector("input").value = "";
    }
    inTurn(() => post("/api/judge", body)).then(
      (found) => {
        Object.assign(this.found, found);
        this.drawSaid();
      },
      (error) => {
        this.page.fail(error);
        this.reloadSoon();
      });
    this.parts.undo.disabled = !this.undone.length;
  }

  undo() {
    const last = this.undone.pop();
    if (!last) return;
    this.set(last.card, last.verdict, last.before);
    const i = this.cards.indexOf(last.card);
    if (i >= 0) this.choose(i);
  }
}

function answered(card) {
  return Boolean(card.verdict) || card.before.some((b) => b !== null);
}

function word(card) {
  const value = card.before[0];
  if (value === "") return "→ not readable";
  if (value === "--") return "→ no link";
  if (value !== null && value !== undefined) return `→ ${value}`;
  return { right: "✓ right", unclear: "not readable", wrong: "wrong" }[card.verdict] ?? "";
}

function proof(found, cards, open) {
  const { rate, unclear } = found;
  const drawn = `${cards.length} of ${found.readings} counted readings, drawn at random, whatever their confidence.`;
  if (!rate) return [h("p", {}, drawn, " Judge them; the error rate appears here.")];
  return [
    h("p", { id: "proof" }, h("b", {}, `${rate.wrong} wrong of ${rate.judged} judged: ${percent(rate.rate, 1)}`),
      ` – the reader's error rate on this overlay lies between ${percent(rate.low, 1)} and ${percent(rate.high, 1)} (95 %, exact).`),
    h("p", { class: "hint" }, drawn, open ? ` ${open} are left.` : " All are judged.",
      unclear ? ` ${unclear} that nobody could read ${unclear === 1 ? "is" : "are"} left out.` : ""),
  ];
}
