// Help: the way through the work, keys, and the cautions.

import { get } from "./api.js";
import { clear, h } from "./dom.js";

const STEPS = [
  ["Clips", "Say which clip is which antenna, on which port, in which mounting (one time an antenna was put up and aimed)."],
  ["Mark", "Drag a rectangle round each number, once for all clips."],
  ["Read", "Start it; new clips that land in the folder appear by themselves."],
  ["Check", "Look at doubtful readings; a random sample shows how often the reader is wrong on your overlay."],
  ["Series", "Look at each clip; brush to set a run's start and end."],
  ["Antennas", "Say what you know of each; plan the steps that turn Mbit/s into dB."],
  ["Results", "Compare, then make the report."],
];

export function show(root, page) {
  const cautions = h("dl", { id: "cautions" });
  const words = h("dl", { class: "glossary", id: "words" });
  root.append(
    h("section", { class: "panel" },
      h("h2", {}, "The way through"),
      h("ol", {}, STEPS.map(([name, text]) => h("li", {}, h("strong", {}, `${name}: `), text)))),
    h("section", { class: "panel" }, h("h2", {}, "Cautions"), cautions),
    h("section", { class: "panel" }, h("h2", {}, "Words"), words));
  get("/api/words")
    .then((found) => clear(words, Object.entries(found).map(([word, text]) => [h("dt", {}, h("strong", {}, word)), h("dd", {}, text)]).flat()))
    .catch((error) => page.fail(error));
  get("/api/cautions")
    .then((found) => clear(cautions, found.map((one) => [h("dt", {}, h("strong", {}, one.title)), h("dd", {}, one.text)]).flat()))
    .catch((error) => page.fail(error));
  return {};
}
