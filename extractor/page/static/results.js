// Results: what was found, in words, pictures and tables; each as a file too.

import { get, post } from "./api.js";
import { clear, h, percent, query, s } from "./dom.js";
import { empty, isAside, nextBar } from "./next.js";

const MEASURES = {
  "": "mean, or what the ceiling leaves", mean: "mean", mean_with_outages: "mean, outages as zero", median: "median",
  p25: "25 % low point", p05: "5 % low point", availability: "availability",
};
const SHOWN = {
  summary: ["run", "field", "antenna", "port", "mounting", "n", "mean", "mean_low", "mean_high", "sd", "coverage", "availability", "ceiling_share", "n_corrected"],
  ports: ["port", "against", "difference", "low", "high", "antenna", "mountings", "p_t", "basis"],
  pairs: null,
};
const TITLES = { summary: "Clip statistics", ranking: "Ranking", ports: "Ports", pairs: "Pairs" };

export function show(root, page) {
  if (!page.session.summary) {
    root.append(empty(page, "No results yet"));
    return { update: (session) => session.summary && (clear(root), page.view = show(root, page)) };
  }
  const parts = { head: h("div", {}), body: h("div", { class: "results" }) };
  root.append(parts.head, parts.body);
  const options = { field: "", measure: "", equal_within: null };
  let found = null;
  let running = "";
  let left = false;
  let changed = false;

  async function load() {
    try {
      found = await get("/api/results");
      if (!left) draw();
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

  function draw() {
    const { tables, findings, outdated } = found;
    const choice = (key, names) => h("select", { "aria-label": key, onchange: (e) => { options[key] = e.target.value; ask(); } },
      names.map(([value, title]) => h("option", { value, selected: options[key] === value }, title)));
    const said = tables.ranking ? "Compare again" : "Compare the antennas";
    const without = page.session.rows.filter((r) => r.clips.length && !r.cells.antenna && !isAside(r)).length;
    clear(parts.head,
      h("div", { class: "row" },
        choice("field", [["", "the primary number"], ...page.session.fields.map((f) => [f.name, f.name])]),
        choice("measure", Object.entries(MEASURES)),
        h("label", {}, "equal within ", h("input", { type: "number", min: "0", step: "any", class: "short", value: options.equal_within ?? "",
          onchange: (e) => { options.equal_within = e.target.value === "" ? null : Number(e.target.value); ask(); } })),
        h("button", { class: "main", id: "compare", disabled: running, onclick: () => make("compare") }, running === "compare" ? "Comparing…" : said),
        h("span", { class: "grow" }),
        h("button", { id: "report", disabled: running, onclick: () => make("report") }, running === "report" ? "Making it…" : "Make the report"),
        found.files.includes("report.html") && h("a", { class: "button", href: "/api/file?name=report.html", target: "_blank", rel: "noopener" }, "Open the report")),
      changed && tables.ranking && h("p", { class: "problem" }, `Below stand the results of the choice before${by(tables.ranking)}; compare again.`),
      outdated && h("p", { class: "problem" }, "The clip statistics have changed since the comparison; compare again."),
      without > 0 && h("p", { class: "hint" }, `${without} ${without === 1 ? "run has" : "runs have"} no antenna yet: say which in the `, h("a", { href: "#/clips" }, "table of the clips"), "."));
    parts.body.classList.toggle("old", changed);
    clear(parts.body,
      !tables.summary?.rows.length && nextBar(page),
      findings && h("section", { class: "findings" }, findings.filter((f) => f.part !== "appendix").map(finding)),
      tables.ranking && h("section", {}, h("h2", {}, heading(tables.ranking)), ranking(tables.ranking), file("ranking.csv")),
      ["ports", "pairs", "summary"].map((name) => tables[name]?.rows.length > 0 && h("section", {},
        h("h2", {}, TITLES[name]), table(tables[name], SHOWN[name]), file(`${name}.csv`))),
      findings?.some((f) => f.part === "appendix") && h("details", {}, h("summary", {}, "Appendix: how far this carries"),
        findings.filter((f) => f.part === "appendix").map(finding)),
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
  const said = (name) => found.rows[0]?.[found.columns.indexOf(name)] ?? "";
  const measure = said("measure") && MEASURES[said("measure")];
  return measure ? ` (${said("field")}, ${measure})` : "";
}

function finding(one) {
  return h("details", { class: "finding" }, h("summary", {}, one.sentence), h("p", { class: "hint" }, one.how_we_know));
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
  const some = (name, holds) => found.rows.some((row) => holds(row[found.columns.indexOf(name)]));
  if (some("place", (cell) => cell !== "")) return "Ranking";
  return some("mountings", (cell) => Number(cell) > 1) ? "By number, which is no ranking" : "As recorded here";
}

// A point and its interval for each antenna; the inner, narrower interval is within mountings.
function ranking(found) {
  const col = (name) => found.columns.indexOf(name);
  const number = (row, name) => (row[col(name)] === "" ? null : Number(row[col(name)]));
  const rows = found.rows.map((row) => ({
    name: row[col("antenna")], place: row[col("place")], mean: number(row, "mean"), low: number(row, "low"), high: number(row, "high"),
    mates: row[col("not_told_apart_from")], runs: row[col("runs")], mountings: row[col("mountings")], ceiling: number(row, "runs_at_ceiling"),
  }));
  const ends = rows.flatMap((r) => [r.low, r.high, r.mean]).filter((v) => v !== null);
  const [low, high] = [Math.min(...ends), Math.max(...ends)];
  const x = (v) => 10 + ((v - low) / (high - low || 1)) * 380;
  return h("table", { class: "ranking", id: "ranking" },
    h("thead", {}, h("tr", {}, ["", "Antenna", "Level", "", "Not told apart from", "Mountings", "Runs"].map((t) => h("th", { class: ["Level", "Mountings", "Runs"].includes(t) ? "num" : "" }, t)))),
    h("tbody", {}, rows.map((r) => h("tr", {},
      h("td", { class: "num" }, r.place), h("th", { scope: "row" }, r.name),
      h("td", { class: "num" }, r.mean?.toFixed(2), r.low !== null && h("small", {}, ` ${r.low.toFixed(1)} to ${r.high.toFixed(1)}`)),
      h("td", {}, s("svg", { viewBox: "0 0 400 24", class: "interval", role: "img", "aria-label": `${r.name}: ${r.mean}` },
        r.low !== null && s("line", { x1: x(r.low), x2: x(r.high), y1: 12, y2: 12 }), s("circle", { cx: x(r.mean), cy: 12, r: 5 }))),
      h("td", {}, r.mates.split(";").join(", ") || "–"), h("td", { class: "num" }, r.mountings),
      h("td", { class: "num" }, r.runs, r.ceiling ? h("small", {}, ` ${r.ceiling} at ceiling`) : "")))));
}

const SHARES = new Set(["coverage", "availability", "ceiling_share"]);

function isNumber(text) {
  return text !== "" && Number.isFinite(Number(text));
}

function table(found, wanted) {
  if (found.problem) return h("p", { class: "problem" }, found.problem);
  const columns = (wanted ?? found.columns).filter((c) => found.columns.includes(c));
  const at = columns.map((c) => found.columns.indexOf(c));
  const shown = (text, column) => {
    const value = Number(text);
    if (text === "" || !Number.isFinite(value)) return text;
    if (SHARES.has(column)) return percent(value, 1);
    return Number.isInteger(value) ? text : value.toPrecision(4);
  };
  return h("div", { class: "scroll" }, h("table", {},
    h("thead", {}, h("tr", {}, columns.map((c, k) => h("th", { scope: "col", class: found.rows.some((r) => isNumber(r[at[k]])) ? "num" : "" }, c.replaceAll("_", " "))))),
    h("tbody", {}, found.rows.map((row) => h("tr", {}, at.map((i, k) =>
      h("td", { class: isNumber(row[i]) ? "num" : "" }, shown(row[i], columns[k]))))))));
}
