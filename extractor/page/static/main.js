// The frame of the page: tabs, what is going on, and the view that the address names.

import { get, post } from "./api.js";
import { clear, h, percent, query, seconds } from "./dom.js";
import * as clips from "./clips.js";
import * as antennas from "./antennas.js";
import * as plan from "./plan.js";
import * as mark from "./mark.js";
import * as read from "./read.js";
import * as check from "./check.js";
import * as series from "./series.js";
import * as results from "./results.js";
import * as shows from "./show.js";
import * as help from "./help.js";
import * as start from "./start.js";
import { catchDrops, copyIn } from "./drop.js";

const VIEWS = { clips, plan, mark, read, check, series, antennas, results, show: shows, help, start };
const NAMES = {
  clips: "Clips", plan: "Plan", mark: "Mark", read: "Read", check: "Check", series: "Series", antennas: "Antennas", results: "Results",
  show: "Show", help: "Help",
};
const IDLE_MS = 3000;
const BUSY_MS = 700;

const page = {
  session: null,
  words: {},
  view: null,
  name: null,

  get parameters() {
    return new URLSearchParams(location.hash.split("?")[1] ?? "");
  },

  go(name, parameters = {}) {
    const text = new URLSearchParams(parameters).toString();
    location.hash = `#/${name}${text ? `?${text}` : ""}`;
  },

  take(session) {
    this.session = session;
    showFrame();
    this.view?.update?.(session);
  },

  // What this page did to a file last can be taken back as long as the file is as it left it.
  edited(name, session) {
    this.take(session);
    this.undoable = { name, seen: session.seen[name] };
    showUndo();
  },

  async undo() {
    if (!this.undoable) return;
    const { name } = this.undoable;
    try {
      this.edited(name, await post("/api/undo", this.undoable));
      this.say(`${name} is as it was before. Undo once more brings the edit back.`);
    } catch (error) {
      this.fail(error);
    }
  },

  async refresh() {
    if (this.session) this.take(await get("/api/session"));
  },

  async add(files) {
    if (this.view.take) return this.view.take(files);
    await copyIn(files, "", this);
    return this.refresh();
  },

  say(message, kind = "note") {
    const toast = h("div", { class: `toast ${kind}` }, h("span", {}, message),
      h("button", { class: "quiet", "aria-label": "Close", onclick: () => toast.remove() }, "×"));
    document.getElementById("toasts").append(toast);
    setTimeout(() => toast.remove(), kind === "bad" ? 12000 : 4000);
  },

  // What was wrong is settled once the next thing has gone well.
  hush() {
    document.querySelectorAll("#toasts .bad").forEach((toast) => toast.remove());
  },

  fail(error) {
    this.say(error.message, "bad");
    if (error.changedMeanwhile) this.refresh().catch(() => {});
  },

  async read(again = false) {
    try {
      await post("/api/read", { again });
      await this.refresh();
    } catch (error) {
      this.fail(error);
    }
  },
};

function badge(name, session) {
  const clips = session.clips.filter((c) => c.state !== "aside");
  const read_ = clips.filter((c) => ["done", "cut"].includes(c.state)).length;
  if (name === "clips") return String(clips.length);
  if (name === "mark") return session.fields.length ? String(session.fields.length) : "";
  if (name === "read") return clips.length ? `${read_}/${clips.length}` : "";
  return "";
}

function showUndo() {
  const { undoable, session } = page;
  const stands = undoable?.seen && session.seen[undoable.name] === undoable.seen;
  document.getElementById("undo-edit").hidden = !stands || page.name === "check";
}

function write(place, text) {
  if (place.textContent !== text) place.textContent = text;
}

let said = "";

function showFrame() {
  const session = page.session;
  document.body.classList.toggle("starting", !session);
  if (!session) return null;
  document.title = `${session.name} – extractor`;
  write(document.getElementById("name"), session.name);
  const tabs = document.getElementById("tabs");
  // Made once: what is drawn anew under a pointer cannot be clicked.
  if (!tabs.firstChild) tabs.append(...Object.keys(NAMES).map((name) => h("a", { href: `#/${name}`, "data-tab": name }, NAMES[name], h("span", { class: "badge" }))));
  for (const tab of tabs.children) {
    const name = tab.dataset.tab;
    if (name === page.name) tab.setAttribute("aria-current", "page");
    else tab.removeAttribute("aria-current");
    write(tab.lastChild, badge(name, session));
  }
  showUndo();
  const text = JSON.stringify([session.problems, session.doubts]);
  if (text === said) return showWork(session.tasks.read);
  said = text;
  clear(document.getElementById("problems"),
    session.problems.map((p) => h("p", { class: "problem", role: "alert" }, p)),
    session.doubts.map((d) => h("p", { class: "problem", role: "alert" }, d.sentence, " ",
      h("a", { href: `#/check?${query({ field: d.field })}` }, "Look here"))));
  return showWork(session.tasks.read);
}

function showWork(task) {
  const place = document.getElementById("work");
  if (task?.state !== "running") return clear(place);
  return clear(place,
    h("progress", { max: 1, value: task.share, "aria-label": "Reading" }),
    h("span", {}, percent(task.share), task.left_s ? `, ${seconds(task.left_s)} left` : ""),
    h("button", { onclick: () => post("/api/cancel", { kind: "read" }).catch((e) => page.fail(e)) },
      "Cancel"));
}

function showView() {
  const wanted = location.hash.replace(/^#\//, "").split("?")[0];
  const name = !page.session ? "start" : VIEWS[wanted] ? wanted : "clips";
  const root = document.getElementById("view");
  page.view?.leave?.();
  page.name = name;
  root.className = `view-${name}`;
  clear(root);
  page.view = VIEWS[name].show(root, page);
  showFrame();
  if (page.session) page.view?.update?.(page.session);
  scrollTo(0, 0);
}

async function follow() {
  try {
    if (!document.hidden) await page.refresh();
    document.body.classList.remove("lost");
  } catch (error) {
    if (!document.body.classList.contains("lost")) page.say(error.message, "bad");
    document.body.classList.add("lost");
  }
  const busy = page.session?.reading || page.session?.clips.some((c) => c.state === "looking");
  setTimeout(follow, busy ? BUSY_MS : IDLE_MS);
}

async function begin() {
  try {
    page.words = await get("/api/words");
    const { session } = await get("/api/start");
    if (session) page.session = await get("/api/session");
  } catch (error) {
    clear(document.getElementById("view"), h("p", { class: "problem" }, error.message));
    return;
  }
  catchDrops((files) => page.add(files).catch((error) => page.fail(error)));
  const undo = document.getElementById("undo-edit");
  undo.addEventListener("click", () => page.undo());
  addEventListener("keydown", (event) => {
    if (event.key !== "z" || !(event.ctrlKey || event.metaKey) || undo.hidden || event.target.closest("input,textarea")) return;
    event.preventDefault();
    page.undo();
  });
  addEventListener("hashchange", showView);
  document.addEventListener("visibilitychange", () => document.hidden || page.refresh().catch(() => {}));
  showView();
  setTimeout(follow, BUSY_MS);
}

begin();
