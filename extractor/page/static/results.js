// Results: what was found, in words, pictures and tables; each as a file too.

import { get, post, turns } from "./api.js";
import { clear, h, query, s } from "./dom.js";
import { empty, isAside, nextBar } from "./next.js";

const MEASURES = {
  "": "mean, or what the ceiling leaves", mean: "mean", mean_with_outages: "mean, outages as zero", median: "median",
  p25: "25 % low point", p05: "5 % low point", availability: "availability",
};
export function show(root, page) {
  if (!page.session.summary) {
    root.append(empty(page, "No results yet"));
    return { update: (session) => session.summary && (clear(root), page.view = show(root, page)) };
  }
  const parts = { head: h("div", {}), body: h("div", { class: "results" }) };
  root.append(parts.head, parts.body);
  const options = { field: "", measure: "", equal_within: null, rounds: false };
  let found = null;
  let running = "";
  let left = false;
  let changed = false;

  const turn = turns();
  async function load() {
    const current = turn();
    try {
      const latest = await get("/api/results");
      if (!current() || left) return;
      found = latest;
      draw();
    } catch (error) {
      page.fail(error);
    }
  }

  async function make(kind) {
    running = kind;
    draw();
    try {
      await post(`/api/${kind}`, options);
      let task;
      do {
        await new Promise((resolve) => setTimeout(resolve, 300));
        await page.refresh();
        task = page.session.tasks[kind];
      } while (task?.state === "running" && !left);
      if (task?.state === "failed") throw new Error(task.message);
      changed = false;
      page.hush();
    } catch (error) {
      page.fail(error);
    }
    running = "";
    load();
  }

  // What stands below is of the choice before: it says so, until it is compared again.
  function ask() {
    changed = true;
    draw();
  }

  // Availability needs one number that nobody has typed yet.
  function lowest(name) {
    const number = h("input", { type: "number", min: "0", step: "any", class: "short", id: "low" });
    const save = () => post("/api/low", { field: name, low: Number(number.value) })
      .then(() => new Promise((resolve) => setTimeout(resolve, 1500))).then(load).catch((error) => page.fail(error));
    return h("p", { class: "row next" }, h("label", {}, `Availability needs one number: below which ${name} does the link count as out? `, number),
      h("button", { class: "main", onclick: () => number.value !== "" && save() }, "Save"));
  }

  function draw() {
    const { tables, chart, bold, questions, outdated } = found;
    const out = options.measure === "availability" && found.without_low.find((name) => !options.field || name === options.field);
    const choice = (key, names) => h("select", { "aria-label": key, onchange: (e) => { options[key] = e.target.value; ask(); } },
      names.map(([value, title]) => h("option", { value, selected: options[key] === value }, title)));
    const said = chart ? "Compare again" : "Compare the antennas";
    const without = page.session.rows.filter((r) => r.clips.length && !r.cells.antenna && !isAside(r)).length;
    clear(parts.head,
      h("div", { class: "row" },
        choice("field", [["", "the primary number"], ...page.session.fields.map((f) => [f.name, f.name])]),
        choice("measure", Object.entries(MEASURES)),
        h("label", {}, "equal within ", h("input", { type: "number", min: "0", step: "any", class: "short", value: options.equal_within ?? "",
          onchange: (e) => { options.equal_within = e.target.value === "" ? null : Number(e.target.value); ask(); } })),
        page.session.rounds.length > 0 && h("label", { title: page.session.rounds.join(", ") }, h("input", { type: "checkbox", id: "together",
          checked: options.rounds, onchange: (e) => { options.rounds = e.target.checked; ask(); } }), " with the rounds before"),
        h("button", { class: "main", id: "compare", disabled: running, onclick: () => make("compare") }, running === "compare" ? "Comparing…" : said),
        h("span", { class: "grow" }),
        h("button", { id: "report", disabled: running, onclick: () => make("report") }, running === "report" ? "Making it…" : "Make the report"),
        found.files.includes("report.html") && h("a", { class: "button", href: "/api/file?name=report.html", target: "_blank", rel: "noopener" }, "Open the report")),
      changed && chart?.rows.length > 0 && h("p", { class: "problem" }, `Below stand the results of the choice before${by(chart)}; compare again.`),
      out && lowest(out),
      outdated && h("p", { class: "problem" }, "The clip statistics have changed since the comparison; compare again."),
      without > 0 && h("p", { class: "hint" }, `${without} ${without === 1 ? "run has" : "runs have"} no antenna yet: say which in the `, h("a", { href: "#/clips" }, "table of the clips"), "."));
    parts.body.classList.toggle("old", changed);
    clear(parts.body,
      !tables.summary && nextBar(page),
      bold && h("p", { class: "bold", id: "bold" }, bold),
      chart?.rows.length > 0 && h("section", {}, h("h2", {}, heading(chart), h("small", {}, by(chart))), ranking(chart)),
      questions.map((one) => question(one, tables)),
      chart?.rows.length > 0 && expected(page),
      tables.summary && h("section", {}, h("h2", {}, tables.summary.title), table(tables.summary), file("summary.csv")),
      files(found.files));
  }

  load();
  let drawn = JSON.stringify(page.session.rows);
  return {
    update(session) {
      const text = JSON.stringify([session.rows, session.tasks.read?.state]);
      if (text !== drawn && !running) load();
      drawn = text;
    },
    leave() {
      left = true;
    },
  };
}

function by(found) {
  const { field, measure, unit } = found.rows[0];
  return measure ? ` (${field}, ${MEASURES[measure]}${unit && `, ${unit}`})` : "";
}

// A text in pieces; a word of the trade carries its explanation.
function words(pieces) {
  return pieces.map(([text, about]) => (about ? h("abbr", { title: about, tabindex: 0 }, text) : text));
}

// The answer in one sentence; it opens to how it is known, the moments and the numbers.
function question(one, tables) {
  const [first, ...more] = one.findings;
  const doubt = one.question === "Mind this first";
  return h("details", { class: "question", open: doubt },
    h("summary", {}, h("span", { class: "asked" }, one.question), h("span", { class: "first" }, first.text)),
    h("div", { class: "answers" }, answer(first), more.map(answer),
      one.tables?.map((name) => tables[name] && h("section", {}, h("h3", {}, tables[name].title), table(tables[name]), file(`${name}.csv`)))));
}

// Reckoned only when it is opened.
function expected(page) {
  const body = h("div", { class: "answers" }, h("p", { class: "hint" }, "Reckoning…"));
  const ask = (event) => event.target.open && get("/api/expect").then(({ expected: one }) => clear(body, !one
    ? h("p", {}, "Nothing is known of the antennas yet: ", h("a", { href: "#/antennas" }, "say what you know"), ".")
    : one.problem ? h("p", { class: "problem" }, one.problem)
    : [one.sentences.map((text) => h("p", { class: "finding" }, words(text))), one.table && table(one.table),
      h("details", {}, h("summary", {}, "How we know"), h("p", { class: "hint" }, words(one.how)), h("ul", {}, one.notes.map((text) => h("li", { class: "hint" }, words(text)))))]))
    .catch((error) => page.fail(error));
  return h("details", { class: "question", id: "expected", ontoggle: ask },
    h("summary", {}, h("span", { class: "asked" }, "Is that what physics expects?"), h("span", { class: "first" }, "Gain, cable, polarisation and aim against what was measured.")), body);
}

function answer(one) {
  return h("div", { class: "finding" }, h("p", {}, words(one.sentence)),
    one.moments.length > 0 && h("ul", { class: "plain" }, one.moments.map((m) =>
      h("li", {}, h("a", { href: `#/series?${query({ clip: m.clip, t: m.time_s.toFixed(2) })}` }, m.text)))),
    h("details", {}, h("summary", {}, "How we know"), h("p", { class: "hint" }, words(one.how_we_know))));
}

function file(name) {
  return h("p", { class: "files" }, h("a", { href: `/api/file?${query({ name })}`, download: "" }, name));
}

function files(names) {
  const rest = names.filter((n) => n.startsWith("readings/") || n === "checked.csv");
  return rest.length > 0 && h("details", {}, h("summary", {}, `Readings, one table a clip (${rest.length})`),
    h("ul", { class: "plain files" }, rest.map((name) => h("li", {}, h("a", { href: `/api/file?${query({ name })}`, download: "" }, name)))));
}

// Places are empty without a verdict: nobody has said which way is better, or no second mounting.
function heading(found) {
  if (found.rows.some((row) => row.place !== "")) return "Ranking";
  return found.rows.some((row) => Number(row.mountings) > 1) ? "By number, which is no ranking" : "As recorded here";
}

// A point and its interval for each antenna.
function ranking(found) {
  const number = (text) => (text === "" ? null : Number(text));
  const rows = found.rows.map((r) => ({ ...r, mean: number(r.mean), low: number(r.low), high: number(r.high), ceiling: number(r.runs_at_ceiling) }));
  const ends = rows.flatMap((r) => [r.low, r.high, r.mean]).filter((v) => v !== null);
  const [low, high] = [Math.min(...ends), Math.max(...ends)];
  const x = (v) => 10 + ((v - low) / (high - low || 1)) * 380;
  const unit = rows[0].unit;
  return h("table", { class: "ranking", id: "ranking" },
    h("thead", {}, h("tr", {}, ["Place", "Antenna", `Level${unit && `, ${unit}`}`, "and its interval"].map((t, k) => h("th", { scope: "col", class: k % 2 ? "" : "num" }, t)))),
    h("tbody", {}, rows.map((r) => h("tr", {},
      h("td", { class: "num" }, r.place || "–"), h("th", { scope: "row" }, r.antenna),
      h("td", { class: "num" }, r.mean?.toFixed(1), r.ceiling ? h("small", {}, " ↑ ceiling") : ""),
      h("td", {}, s("svg", { viewBox: "0 0 400 24", preserveAspectRatio: "none", class: "interval", role: "img", "aria-label": r.low === null ? `${r.antenna}: ${r.mean}` : `${r.antenna}: ${r.mean.toFixed(1)}, ${r.low.toFixed(1)} to ${r.high.toFixed(1)}` },
        r.low !== null && s("line", { x1: x(r.low), x2: x(r.high), y1: 12, y2: 12 }), s("line", { class: "level", x1: x(r.mean), x2: x(r.mean), y1: 4, y2: 20 })),
      r.low !== null && h("small", { class: "ends" }, `${r.low.toFixed(1)} to ${r.high.toFixed(1)}`))))));
}

function table(found) {
  if (found.problem) return h("p", { class: "problem" }, found.problem);
  return h("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": found.title }, h("table", {},
    h("thead", {}, h("tr", {}, found.columns.map((c) => h("th", { scope: "col", class: c.numeric ? "num" : "" }, words(c.title))))),
    h("tbody", {}, found.rows.map((row) => h("tr", {}, row.map((cell, k) => h("td", { class: found.columns[k].numeric ? "num" : "" }, cell)))))));
}
