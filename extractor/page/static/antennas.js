// Antennas: what is known of each, only what its kind needs; and the steps that turn Mbit/s into dB.

import { get, inTurn, post } from "./api.js";
import { clear, h } from "./dom.js";

const KINDS = ["", "dipole", "omni", "cloverleaf", "patch", "panel", "helix", "dish", "yagi", "log-periodic", "horn"];
const ROUND = new Set(["dipole", "omni", "cloverleaf", "stub", "whip", "monopole", "sleeve", "omnidirectional"]);
// Title with its unit, and an example of what is typed.
const FIELDS = {
  gain_dbi: ["Rated gain, dBi", "2.15"], polarisation: ["Polarisation", ""], axial_ratio_db: ["Axial ratio, dB", "1.5"],
  beamwidth_deg: ["Beamwidth, deg", "55"], turns: ["Turns", "9"], circumference_wl: ["Circumference, wavelengths", "1.0"],
  pitch_deg: ["Pitch, deg", "12.8"], width_mm: ["Width, mm", "110"], height_mm: ["Height, mm", "110"],
  cable: ["Cable type or loss", "RG-402"], cable_m: ["Cable, m", "0.5"], connectors: ["Connectors, pairs", "1"],
  pointing_error_deg: ["Aimed within, deg", "5"], vswr: ["VSWR", "1.5"],
};
const POLARISATIONS = ["", "rhcp", "lhcp", "circular", "vertical", "horizontal", "linear"];

// Only what the kind needs: a dipole has no turns.
function wanted(kind) {
  const own = { helix: ["turns", "circumference_wl", "pitch_deg"], dish: ["width_mm", "beamwidth_deg"] }[kind]
    ?? (ROUND.has(kind) ? [] : ["patch", "panel", "flat panel"].includes(kind) ? ["width_mm", "height_mm", "beamwidth_deg"] : ["beamwidth_deg"]);
  const circular = ROUND.has(kind) || ["patch", "panel", "flat panel", "helix"].includes(kind);
  return ["gain_dbi", "polarisation", ...(circular ? ["axial_ratio_db"] : []), ...own, "cable", "cable_m", "connectors",
    ...(ROUND.has(kind) ? [] : ["pointing_error_deg"]), "vswr"];
}

export function show(root, page) {
  const parts = { list: h("div", { class: "antennas" }), steps: h("section", { class: "panel" }) };
  root.append(h("p", { class: "hint" }, "What you know of each antenna, for what physics expects of it. Whatever you don't know stays empty. It stands in antennas.csv."),
    parts.list, parts.steps);

  function edit(name, column, cells, input) {
    const old = cells[column] ?? "";
    if (input.value.trim() === old) return;
    inTurn(() => post("/api/antenna", { antenna: name, column, old, new: input.value })).then((found) => {
      if (column === "kind") return draw(found);
      cells[column] = found.antennas[name][column] ?? "";
      input.classList.add("saved");
      return setTimeout(() => input.classList.remove("saved"), 1200);
    }).catch((error) => {
      input.value = old;
      page.fail(error);
    });
  }

  function field(name, cells, column) {
    const [title, example] = FIELDS[column];
    const attributes = { "data-antenna": name, "data-column": column, onchange: (e) => edit(name, column, cells, e.target) };
    const about = page.words[title.split(",")[0].toLowerCase()] ?? page.words[title.split(",")[0]];
    return h("label", {}, h("span", { title: about ?? null }, title), column === "polarisation"
      ? choice(POLARISATIONS, cells[column] ?? "", attributes)
      : h("input", { value: cells[column] ?? "", placeholder: example && `such as ${example}`, inputmode: column === "cable" ? "text" : "decimal", autocomplete: "off", ...attributes }));
  }

  function choice(names, value, attributes) {
    return h("select", attributes, [...new Set([...names, value])].map((one) => h("option", { value: one, selected: one === value }, one || "not known")));
  }

  function draw(found) {
    const all = Object.entries(found.antennas);
    clear(parts.list, all.map(([name, cells]) => h("section", { class: "panel antenna" },
      h("h2", {}, name, name === found.transmitter && h("small", {}, " at the transmitter")),
      h("div", { class: "grid" },
        h("label", {}, h("span", {}, "Kind"), choice(KINDS, cells.kind ?? "", { "data-antenna": name, "data-column": "kind", onchange: (e) => edit(name, "kind", cells, e.target) })),
        wanted(cells.kind ?? "").map((column) => field(name, cells, column))))),
      !all.length && h("p", {}, "No antenna is named yet: say which hung on which port under Clips."));
    const strong = ([, cells]) => Number((cells.gain_dbi || "-99").replace(",", "."));
    drawSteps(all.toSorted((a, b) => strong(b) - strong(a)).map(([name]) => name).filter((name) => name !== found.transmitter));
  }

  function drawSteps(names) {
    const planned = page.session.rows.filter((r) => r.cells.attenuation_db);
    const antenna = h("select", { id: "step-antenna" }, names.map((name) => h("option", {}, name)));
    const padded = h("select", { id: "step-place" }, h("option", { value: "transmitter" }, "at the transmitter"), h("option", { value: "all" }, "in the lines of all ports"));
    const sheet = h("a", { class: "button", href: "/api/file?name=step_sheet.html", target: "_blank", rel: "noopener" }, "Open the sheet to print");
    clear(parts.steps, h("h2", {}, "From Mbit/s to dB"),
      h("p", {}, "Step one antenna, the strongest, through known attenuation: 0, 3, 6, 9, 12, 15 dB and back, one clip each. Then differences can be told in dB."),
      planned.length
        ? h("p", { class: "row", id: "steps-planned" }, `${planned.length} steps are planned with ${planned[0].cells.antenna}, ${planned.filter((r) => r.clips.length).length} of them recorded. `, sheet)
        : h("div", { class: "row" }, h("label", {}, "Antenna ", antenna), h("label", {}, "pad ", padded),
          h("button", { class: "main", id: "plan-steps", disabled: !names.length, onclick: () => plan(antenna.value, padded.value) }, "Plan the steps")));
  }

  async function plan(antenna, padded) {
    try {
      page.take(await post("/api/steps", { antenna, padded }));
      page.hush();
      await load();
    } catch (error) {
      page.fail(error);
    }
  }

  async function load() {
    draw(await get("/api/antennas"));
  }

  load().catch((error) => page.fail(error));
  return {};
}
