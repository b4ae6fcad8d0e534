// What to do next, said on every page that would otherwise leave one guessing.

import { h } from "./dom.js";
import { chooser } from "./drop.js";

export function isAside(row) {
  return (row.cells.use ?? "").toLowerCase() === "no";
}

export function nextStep(page) {
  const { clips, fields, rows, tasks } = page.session;
  const open = clips.filter((c) => ["new", "stale"].includes(c.state)).length;
  const without = rows.filter((r) => r.clips.length && !r.cells.antenna && !isAside(r)).length;
  if (!clips.length) {
    return {
      text: "Drop the recordings into this window, or plan the evening first. What is copied into the folder appears by itself.",
      add: true, other: ["Plan", "plan"],
    };
  }
  const planned = rows.filter((r) => r.stored && !r.clips.length).length;
  const free = rows.filter((r) => r.clips.length && !isAside(r) && (!r.stored || r.drafted)).length;
  if (planned && free && page.name !== "plan") {
    return { text: "Clips and planned runs wait for each other.", name: "Match them", go: "plan" };
  }
  if (!fields.length) {
    return { text: "Mark where the number stands: once, for all clips.", name: "Mark a number", go: "mark" };
  }
  if (tasks.read?.state === "running") return { text: "Reading goes on; look around meanwhile." };
  if (open) {
    return { text: `${open === 1 ? "One clip is" : `${open} clips are`} not read yet.`, name: "Read", act: () => page.read() };
  }
  if (free && without > 1) {
    return { text: "Say which antenna hung on which port in each run: all at once, or in the table of the clips.",
      name: "All at once", go: "plan", other: page.name === "clips" ? null : ["To the clips", "clips"] };
  }
  if (without) {
    return { text: "Say which antenna hung on which port in each run, in the table below.", go: page.name === "clips" ? null : "clips", name: "To the clips" };
  }
  return { text: "Look at a few doubtful readings, then compare.", name: "Check", go: "check", other: ["Compare", "results"] };
}

export function nextBar(page) {
  const step = nextStep(page);
  const act = step.act ?? (step.go ? () => page.go(step.go) : null);
  return h("div", { class: "next" },
    h("span", { class: "next-word" }, "Next"),
    h("span", { class: "grow" }, step.text),
    step.add && chooser("Add clips…", (files) => page.add(files), true),
    act && h("button", { class: "main", onclick: act }, step.name),
    step.other && h("button", { onclick: () => page.go(step.other[1]) }, step.other[0]));
}

export function empty(page, title) {
  return h("section", { class: "empty" }, h("h2", {}, title), nextBar(page));
}
