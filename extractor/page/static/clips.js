// Clips and runs: one row a run, cells edited in place.

import { inTurn, post } from "./api.js";
import { bytes, clear, h, percent, query, seconds } from "./dom.js";
import { isAside, nextBar } from "./next.js";

const EDITED = [
  ["antenna", "Antenna"], ["port", "Port"], ["mounting", "Mounting"], ["others", "Others"],
  ["order", "Order"], ["start_s", "Start s"], ["end_s", "End s"],
];
const SHORT = new Set(["mounting", "order", "start_s", "end_s"]);
const STATES = {
  new: "new", looking: "looking…", waiting: "waiting", reading: "reading", done: "done",
  cut: "cut short", stale: "read again", failed: "failed", aside: "no run",
};
const CONDITIONS = {
  place: "Place", distance_m: "Distance, m", walls: "Walls between", channel_mhz: "Channel, MHz",
  width_mhz: "Channel width, MHz", line_of_sight: "Line of sight", primary: "Primary number", power_mw: "Power, mW", rate_mode: "Rate mode", firmware: "Firmware",
  transmitter_antenna: "Transmitter antenna", cooling: "Cooling", supply: "Supply", decimal: "Decimal mark of the tables made: , or .", notes: "Notes",
};

const ROLES = { "": "not said", rx: "receives only", rxtx: "transmits too" };

export function show(root, page) {
  const parts = {
    next: h("div"),
    drafts: h("div"),
    table: h("div", { class: "scroll" }),
    conditions: h("div"),
  };
  root.append(parts.next, parts.drafts, parts.table, parts.conditions);
  let drawn = "";
  let redrawing = false;

  async function edit(row, column, input) {
    const before = row.cells[column] ?? "";
    if (redrawing || input.value.trim() === before) return;
    const body = { key: row.key, column, old: before, new: input.value };
    try {
      page.edited("runs.csv", await inTurn(() => post("/api/run", body)));
      input.classList.add("saved");
    } catch (error) {
      input.value = before;
      page.fail(error);
    }
  }

  function cell(row, column, title) {
    const list = { antenna: "antennas", port: "ports" }[column];
    const input = h("input", {
      value: row.cells[column] ?? "",
      list,
      class: SHORT.has(column) ? "short" : "",
      "aria-label": `${title}, ${row.cells.run || row.cells.clip}`,
      "data-cell": `${row.key}|${column}`,
      disabled: !page.session.editable,
      onblur: (event) => edit(row, column, event.target),
      onkeydown: (event) => event.key === "Enter" && below(event.target),
    });
    return h("td", { "data-title": title }, input);
  }

  function draw(session) {
    const facts = new Map(session.clips.map((c) => [c.clip, c]));
    const names = (column) => [...new Set(session.rows.map((r) => r.cells[column]).filter(Boolean))];
    clear(parts.table,
      datalist("antennas", [...new Set([...names("antenna"), ...session.antennas])]),
      datalist("ports", names("port")),
      h("table", { class: "clips" },
        h("caption", { class: "unseen" }, "Runs and their clips"),
        h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Clip"), h("th", { scope: "col" }, "State"),
          EDITED.map(([key, title]) => h("th", { scope: "col" }, page.words[key] ? h("abbr", { title: page.words[key], tabindex: 0 }, title) : title)), h("th", {}, h("span", { class: "unseen" }, "More")))),
        h("tbody", {}, session.rows.map((row) => h("tr", { class: isAside(row) ? "aside" : row.stored ? "" : "unstored" },
          clipCell(row, facts), h("td", { class: "state", "data-state": row.clips.join(";") }),
          EDITED.map(([column, title]) => cell(row, column, title)), h("td", {}, more(row)))))));
  }

  function clipCell(row, facts) {
    if (!row.clips.length) {
      return h("td", { class: "clip" }, h("b", {}, row.cells.run || "planned run"), h("a", { href: "#/plan" }, "not recorded yet"));
    }
    const first = facts.get(row.clips[0]);
    const picture = first?.width
      ? h("img", { alt: "", loading: "lazy", width: 96, height: 54, src: `/api/frame?${query({
        clip: first.clip, t: (first.length_s ?? 0) / 2, w: 192, v: first.version })}` })
      : h("span", { class: "nothumb" });
    const run = row.cells.run && row.cells.run !== row.clips[0].replace(/\.[^.]*$/, "") ? row.cells.run : "";
    return h("td", { class: "clip" },
      h("a", { href: `#/series?${query({ clip: row.clips[0] })}`, tabindex: -1, "aria-hidden": "true" }, picture),
      h("div", {}, h("a", { href: `#/series?${query({ clip: row.clips[0] })}` }, row.clips.join(" + ")),
        h("small", {}, [run, described(row.clips.map((c) => facts.get(c)).filter(Boolean)), row.cells.notes?.startsWith("draft:") && row.cells.notes]
          .filter(Boolean).join(" · "))));
  }

  // On the page's top layer, so that no table cuts it off.
  function more(row) {
    const clip = row.clips[0];
    const id = `more-${row.key}`;
    const button = h("button", { class: "quiet", popovertarget: id, "aria-label": `More about ${row.cells.run || clip}` }, "⋯");
    const sheet = h("div", { class: "sheet", id, popover: "auto", ontoggle: (event) => event.newState === "open" && beside(sheet, button) },
        clip && h("a", { class: "item", href: `#/series?${query({ clip })}` }, "Look at it, set start and end, cut it"),
        clip && page.session.fields.length > 0 && h("a", { class: "item", href: `#/mark?${query({ clip })}` }, "Mark a number on it"),
        clip && h("button", { class: "item", onclick: () => setAside(row) }, isAside(row) ? "It is a run after all" : "This is no run: set it aside"),
        row.stored && h("button", { class: "item", onclick: () => remove(row) }, "Take this row out of runs.csv"));
    return [button, sheet];
  }

  async function setAside(row) {
    const old = row.cells.use ?? "";
    try {
      page.edited("runs.csv", await inTurn(() => post("/api/run", { key: row.key, column: "use", old, new: isAside(row) ? "" : "no" })));
    } catch (error) {
      page.fail(error);
    }
  }

  async function remove(row) {
    try {
      page.edited("runs.csv", await post("/api/run/remove", { key: row.key }));
      page.say("The row is gone; the clip stays. Undo brings it back.");
    } catch (error) {
      page.fail(error);
    }
  }

  function drawStates(session) {
    const facts = new Map(session.clips.map((c) => [c.clip, c]));
    const work = session.tasks.read?.clips ?? {};
    for (const place of parts.table.querySelectorAll("[data-state]")) {
      const own = place.dataset.state.split(";").map((c) => facts.get(c)).filter(Boolean);
      const text = JSON.stringify([own.map((c) => [c.state, c.message]), own.map((c) => work[c.clip])]);
      if (place.dataset.drawn === text) continue;
      place.dataset.drawn = text;
      clear(place, own.length && stateOf(own, work));
    }
  }

  return {
    update(session) {
      clear(parts.next, nextBar(page));
      drawDrafts(parts.drafts, page);
      const text = JSON.stringify([session.rows, session.antennas, session.editable, session.fields.length > 0,
        session.clips.map((c) => [c.clip, c.version, c.length_s, c.width])]);
      if (text !== drawn) {
        redrawing = true;  // what loses the focus to the redrawing is not finished
        keepFocus(parts.table, () => draw(session));
        redrawing = false;
        drawn = text;
      }
      drawStates(session);
      if (!parts.conditions.contains(document.activeElement)) drawConditions(parts.conditions, page);
    },
  };
}

// A run may be a recording that lies in several files: it is one run, with one size and length.
function described(files) {
  const [clip] = files;
  if (!clip) return "not in the folder";
  const sum = (key) => files.reduce((total, one) => total + (one[key] ?? 0), 0);
  const facts = [clip.width && `${clip.width}×${clip.height}`, seconds(sum("length_s") || null), bytes(sum("size"))];
  if (clip.rate_hz) facts.push(`${Math.round(clip.rate_hz)}/s`);
  if (files.length > 1) facts.push(`${files.length} files`);
  return facts.filter(Boolean).join(" · ");
}

const WORST_FIRST = ["failed", "stale", "reading", "waiting", "looking", "new", "cut", "done", "aside"];

function stateOf(files, work) {
  const clip = files.toSorted((a, b) => WORST_FIRST.indexOf(a.state) - WORST_FIRST.indexOf(b.state))[0];
  const total = files.reduce((sum, one) => sum + (work[one.clip]?.length_s ?? one.length_s ?? 0), 0);
  const done = files.reduce((sum, one) => sum + (work[one.clip]?.seconds ?? 0), 0);
  const busy = clip.state === "reading" && total > 0;
  return h("span", { class: `chip ${clip.state}`, title: clip.message || null },
    STATES[clip.state] ?? clip.state,
    busy ? ` ${percent(Math.min(1, done / total))}` : "",
    ["failed", "done"].includes(clip.state) && clip.message && h("small", { class: "why" }, clip.message));
}

function datalist(id, values) {
  return h("datalist", { id }, values.map((value) => h("option", { value })));
}

function beside(sheet, button) {
  const at = button.getBoundingClientRect();
  const above = at.bottom + sheet.offsetHeight > innerHeight;
  sheet.style.top = `${Math.max(4, above ? at.top - sheet.offsetHeight : at.bottom)}px`;
  sheet.style.left = `${Math.max(4, at.right - sheet.offsetWidth)}px`;
  sheet.querySelector("a,button")?.focus();
}

function below(input) {
  const column = input.dataset.cell.split("|").pop();
  const all = [...document.querySelectorAll("input[data-cell]")].filter((i) => i.dataset.cell.endsWith(`|${column}`));
  const next = all[all.indexOf(input) + 1];
  if (next) next.focus();
  else input.blur();
}

// A fresh table must not take away what is being typed.
function keepFocus(root, draw) {
  const active = document.activeElement;
  const name = root.contains(active) ? active.dataset.cell : null;
  const [typed, from, to] = name ? [active.value, active.selectionStart, active.selectionEnd] : [];
  draw();
  const again = name && [...root.querySelectorAll("input")].find((i) => i.dataset.cell === name);
  if (again) {
    again.value = typed;
    again.focus();
    again.setSelectionRange(from, to);
  }
}

function drawDrafts(place, page) {
  const { drafts, editable } = page.session;
  if (!drafts || !editable) return clear(place);
  const accept = async () => {
    try {
      page.edited("runs.csv", await post("/api/runs/checked"));
    } catch (error) {
      page.fail(error);
    }
  };
  if (place.dataset.drawn === String(drafts) && place.firstChild) return place;
  place.dataset.drawn = drafts;
  return clear(place, h("div", { class: "proposal" },
    h("p", { class: "grow" }, `Antenna, port and mounting of ${drafts} row${drafts > 1 ? "s were" : " was"} taken from the file names. `,
      "Correct what is wrong; a ranking made of wrong rows is wrong."),
    h("button", { class: "main", id: "checked", onclick: accept }, "I have checked them")));
}

function drawConditions(place, page) {
  const open = place.querySelector("details")?.open ?? false;
  async function change(key, before, input) {
    if (input.value.trim() === before) return;
    try {
      page.edited("session.toml", await inTurn(() => post("/api/condition", { key, old: before, new: input.value })));
    } catch (error) {
      input.value = before;
      page.fail(error);
    }
  }
  async function choose(port, role) {
    try {
      page.edited("runs.csv", await inTurn(() => post("/api/port-role", { port, role })));
    } catch (error) {
      page.fail(error);
    }
  }
  const ports = new Map(page.session.rows.filter((r) => r.stored && r.cells.port).map((r) => [r.cells.port, r.cells.port_role ?? ""]));
  clear(place, h("details", { class: "conditions", open },
    h("summary", {}, "Conditions of the session", h("small", {}, " – place, distance, channel, power… kept in session.toml")),
    h("div", { class: "grid" }, page.session.conditions.map(({ key, value }) => h("label", {},
      h("span", {}, CONDITIONS[key] ?? key),
      h("input", { value, "data-condition": key, onchange: (event) => change(key, value, event.target) }))),
      [...ports].map(([port, role]) => h("label", {}, h("span", {}, `Port ${port}`),
        h("select", { "data-port": port, onchange: (event) => choose(port, event.target.value) },
          Object.entries(ROLES).map(([value, title]) => h("option", { value, selected: value === role }, title))))))));
}

