// The start: sessions of late, a folder to choose, clips to drop, a new session, the next round.

import { get, post } from "./api.js";
import { clear, h, query } from "./dom.js";
import { chooser, copyIn } from "./drop.js";

const clipsText = (n) => (n === 1 ? "1 clip" : n ? `${n} clips` : "");

export function show(root, page) {
  const parts = { here: h("div"), fresh: h("section", { class: "panel fresh" }), last: h("section", { class: "panel" }), folder: h("section", { class: "panel" }) };
  root.append(parts.here, h("div", { class: "start" }, h("div", {}, parts.fresh, parts.last), parts.folder));
  let about = null;

  const short = (path) => path.replace(about.places[0].path, "Home").replaceAll(/[/\\]/g, " › ");

  async function go(path, body = {}) {
    try {
      location.href = (await post(path, body)).address;
    } catch (error) {
      page.fail(error);
    }
  }

  async function make(files = []) {
    try {
      const { path } = await post("/api/new", about.new);
      if (files.length && !(await copyIn(files, path, page))) return;
      await go("/api/open", { path });
    } catch (error) {
      page.fail(error);
    }
  }

  function drawFresh() {
    const { parent, name } = about.new;
    clear(parts.fresh, h("h2", {}, "A new session"),
      h("div", { class: "dropzone" }, h("strong", {}, "Drop the recordings here"),
        h("p", { class: "hint" }, "or a whole folder of them. They are copied; the originals stay as they are."),
        chooser("Choose clips…", make, true)),
      h("div", { class: "row" },
        h("label", {}, "Name ", h("input", { id: "new-name", value: name, oninput: (e) => { about.new.name = e.target.value; } })),
        h("span", { class: "hint grow path" }, `in ${short(parent)}`),
        h("button", { id: "new-empty", onclick: () => make() }, "Begin it empty")));
  }

  function drawLast() {
    clear(parts.last, h("h2", {}, "Sessions of late"), !about.recent.length && h("p", { class: "hint" }, "None yet on this computer."),
      h("ul", { class: "plain sessions" }, about.recent.map((one) => h("li", { class: "row" },
        h("span", { class: "grow" }, h("b", {}, one.name), " ", h("small", {}, clipsText(one.clips)), h("small", { class: "path" }, short(one.path))),
        h("button", { "aria-label": `Open ${one.name}`, onclick: () => go("/api/open", { path: one.path }) }, "Open"),
        h("button", { "aria-label": `Next round of ${one.name}`, onclick: () => go("/api/round", { path: one.path }) }, "Next round")))));
  }

  async function look(path, focus = false) {
    try {
      const found = await get(`/api/folders?${query({ path })}`);
      const enter = (one, text) => h("button", { class: "item", onclick: () => look(one, true) }, text);
      clear(parts.folder, h("h2", {}, "A folder with clips"),
        h("div", { class: "row" }, about.places.map((p) => h("button", { "aria-pressed": String(p.path === path), onclick: () => look(p.path, true) }, p === about.places[0] ? "Home" : p.name))),
        h("p", { class: "path", id: "folder", tabindex: -1 }, h("b", {}, short(found.path)), " ", h("small", {}, clipsText(found.clips) || "no clips in it")),
        h("div", { class: "row" },
          h("button", { class: found.clips ? "main" : "", id: "open-folder", onclick: () => go("/api/open", { path: found.path }) }, `Open “${found.name}”`),
          h("button", { id: "new-here", onclick: () => {
            about.new = { parent: found.path, name: found.free };
            drawFresh();
            document.getElementById("new-name").focus();
          } }, "New session in it")),
        h("ul", { class: "plain folders" }, found.up && h("li", {}, enter(found.up, "↑ up")),
          found.folders.map((one) => h("li", {}, enter(one.path, ["▸ ", h("span", {}, one.name), " ", h("small", {}, clipsText(one.clips))])))));
      if (focus) document.getElementById("folder").focus();
    } catch (error) {
      page.fail(error);
    }
  }

  async function load() {
    about = page.start = await get("/api/start");
    const { session } = about;
    if (session) {
      clear(parts.here, h("section", { class: "next" }, h("span", { class: "grow" }, h("b", {}, `The next round of “${page.session.name}”: `),
        "a session beside it that takes over the marks, antennas, colours, conditions, and plans with the same antennas and ports."),
        h("button", { class: "main", id: "next-round", onclick: () => go("/api/round") }, "Begin the next round"),
        h("button", { onclick: () => page.go("clips") }, "Back to it")));
    }
    drawFresh();
    drawLast();
    await look(about.places[0].path);
  }

  load().catch((error) => page.fail(error));
  return { take: make };
}
