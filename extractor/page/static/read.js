// Reading: begin, see how far it is, cancel.

import { post } from "./api.js";
import { clear, h, percent, seconds } from "./dom.js";
import { nextBar } from "./next.js";

// The first that holds of one of a run's files is said of the run.
const WORDS = {
  failed: "failed", reading: "reading", stale: "was read with other marks; read again", stopped: "not finished",
  waiting: "waiting", looking: "looking…", new: "not read yet", cut: "done; the recording is cut short", done: "done",
};

const isDone = (clip) => ["done", "cut"].includes(clip.state);

function shareOf(clip, own) {
  return isDone(clip) ? 1 : own?.length_s ? Math.min(1, own.seconds / own.length_s) : 0;
}

function wordOf(clip, own) {
  return isDone(clip) || !own || own.state === "stopped" ? clip.state : own.state;
}

function mean(values) {
  return values.reduce((sum, v) => sum + v, 0) / values.length;
}

// The files of one run stand together; what is no run is left out.
function recordings(session) {
  const facts = new Map(session.clips.filter((c) => c.state !== "aside").map((c) => [c.clip, c]));
  const runs = new Map(session.rows.map((r) => [r.clips.join(";"), r.clips.map((c) => facts.get(c)).filter(Boolean)]));
  return [...runs.values()].filter((files) => files.length);
}

export function show(root, page) {
  const head = h("section", { class: "panel" });
  const list = h("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": "Clips" });
  root.append(head, list);

  function drawHead(session) {
    const task = session.tasks.read;
    if (!session.clips.length || !session.fields.length) return clear(head, h("h2", {}, "Nothing to read yet"), nextBar(page));
    const open = session.clips.filter((c) => ["new", "stale", "looking"].includes(c.state)).length;
    if (task?.state === "running") {
      return clear(head, h("h2", {}, "Reading"),
        h("progress", { class: "wide", max: 1, value: task.share, "aria-label": "All clips" }),
        h("p", {}, `${percent(task.share)} of the recorded time`, task.left_s ? `, about ${seconds(task.left_s)} left. ` : ". ",
          "Finished clips stay finished if you cancel."),
        h("button", { id: "cancel", onclick: () => post("/api/cancel", { kind: "read" }).catch((e) => page.fail(e)) }, "Cancel"));
    }
    const said = task?.message && h("p", { class: task.state === "failed" ? "problem" : "" }, task.message);
    return clear(head,
      h("h2", {}, open ? `${open === 1 ? "One clip is" : `${open} clips are`} not read yet` : "Every clip is read"),
      said,
      h("div", { class: "row" },
        h("button", { class: "main", id: "start", onclick: () => page.read() }, open ? "Read" : "Look for changes"),
        !open && h("button", { onclick: () => page.read(true) }, "Read everything again"),
        !open && h("button", { onclick: () => page.go("check") }, "Check the readings")),
      h("p", { class: "hint" }, "Only what is new or changed is read; the tables in results/ are made anew each time."));
  }

  function drawList(session) {
    const work = session.tasks.read?.clips ?? {};
    const told = new Map(session.rows.filter((r) => r.cells.antenna).map((r) => [r.clips.at(-1),
      [r.cells.antenna, r.cells.port, r.cells.mounting].filter(Boolean).join(" ")]));
    clear(list, h("table", { class: "reading" },
      h("thead", {}, h("tr", {}, h("th", {}, "Clip"), h("th", {}, "Run"), h("th", {}, "Progress"), h("th", {}, "State"), h("th", {}, "What it shows"))),
      h("tbody", {}, recordings(session).map((files) => {
        const name = files.map((c) => c.clip).join(" + ");
        const share = mean(files.map((clip) => shareOf(clip, work[clip.clip])));
        const words = files.map((clip) => wordOf(clip, work[clip.clip]));
        const word = Object.keys(WORDS).find((w) => words.includes(w)) ?? words[0];
        return h("tr", {}, h("td", { class: "file" }, name), h("td", {}, told.get(files.at(-1).clip)),
          h("td", {}, h("progress", { max: 1, value: share, "aria-label": name })),
          h("td", { class: word === "failed" ? "bad" : "" }, WORDS[word] ?? word,
            word === "failed" && h("small", { class: "why" }, files.find((c) => c.message)?.message)),
          h("td", {}, files.map((c) => work[c.clip]?.said).filter(Boolean).at(-1)));
      }))));
  }

  let drawn = "";
  return {
    update(session) {
      const text = JSON.stringify([session.clips, session.rows, session.tasks.read, session.fields.length]);
      if (text === drawn) return;
      drawn = text;
      drawHead(session);
      drawList(session);
    },
  };
}
