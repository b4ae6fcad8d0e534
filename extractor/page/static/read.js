// Reading: begin, see how far it is, cancel.

import { post } from "./api.js";
import { clear, h, percent, seconds } from "./dom.js";
import { nextBar } from "./next.js";

const WORDS = {
  waiting: "waiting", reading: "reading", done: "done", failed: "failed", stopped: "not finished",
  new: "not read yet", looking: "looking…", cut: "done; the recording is cut short",
  stale: "was read with other marks; read again",
};

export function show(root, page) {
  const head = h("section", { class: "panel" });
  const list = h("div", { class: "scroll" });
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
    clear(list, h("table", { class: "reading" },
      h("thead", {}, h("tr", {}, h("th", {}, "Clip"), h("th", {}, "Progress"), h("th", {}, ""))),
      h("tbody", {}, session.clips.map((clip) => {
        const own = work[clip.clip];
        const state = own?.state === "stopped" ? clip.state : (own?.state ?? clip.state);
        const done = ["done", "cut"].includes(clip.state);
        const share = done ? 1 : own?.length_s ? Math.min(1, own.seconds / own.length_s) : 0;
        const word = done ? clip.state : state;
        return h("tr", {}, h("td", {}, clip.clip),
          h("td", {}, h("progress", { max: 1, value: share, "aria-label": clip.clip })),
          h("td", { class: word === "failed" ? "bad" : "" }, WORDS[word] ?? word,
            word === "failed" && h("small", { class: "why" }, clip.message)));
      }))));
  }

  let drawn = "";
  return {
    update(session) {
      const text = JSON.stringify([session.clips, session.tasks.read, session.fields.length]);
      if (text === drawn) return;
      drawn = text;
      drawHead(session);
      drawList(session);
    },
  };
}
