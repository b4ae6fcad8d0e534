// Show: a look at each picture and film beforehand, its format, making it, and the text for a video.

import { get, post, turns } from "./api.js";
import { clear, h, later, percent, query, seconds } from "./dom.js";
import { empty } from "./next.js";

const WHAT = {
  card: "Card: the ranking as one picture", film: "Ranking film: bars grow, ending on the card",
  mosaic: "Mosaic: all runs side by side", annotate: "Annotated clip: what was read, beside the numbers",
  replay: "Replay: this test, repeated",
};
const SIZES = { "1920x1080": "1920 × 1080", "3840x2160": "3840 × 2160", "1080x1920": "1080 × 1920, upright", "1080x1080": "1080 × 1080, square" };
const RATES = { 25: "25", 30: "30", 50: "50", 60: "60" };
const CODECS = { h264: "H.264", h265: "H.265", prores: "ProRes 4444, with opacity", png: "pictures (PNG), with opacity" };
const LOOKS = { dark: "dark", light: "light" };
const BACKGROUNDS = { plain: "plain", transparent: "transparent" };
const PANELS = { "": "where no number is", bottom: "bottom", top: "top", "bottom-left": "bottom left", "bottom-right": "bottom right", "top-left": "top left", "top-right": "top right", none: "none" };

export function show(root, page) {
  if (!page.session.summary) {
    root.append(empty(page, "Nothing to show yet"));
    return { update: (session) => session.summary && (clear(root), page.view = show(root, page)) };
  }
  const clips = Object.fromEntries(page.session.clips.filter((c) => c.state !== "aside").map((c) => [c.clip, c.clip]));
  const asked = { what: "card", size: "1920x1080", rate: "30", codec: "h264", look: "light", background: "plain", clip: Object.keys(clips)[0] ?? "", panel: "", title: "", rounds: "" };
  const uses = { rate: (w) => !["card", "annotate"].includes(w), codec: (w) => w !== "card", size: (w) => w !== "annotate", background: (w) => ["card", "film"].includes(w), clip: (w) => w === "annotate", panel: (w) => w === "annotate", title: (w) => ["card", "film", "mosaic"].includes(w) };
  const image = h("img", { class: "frame", alt: "How it is going to look", style: null });
  const wrong = h("p", { class: "problem", role: "alert", hidden: true });
  const parts = { form: h("div", { class: "fields" }), work: h("div", { "aria-live": "polite" }), text: h("textarea", { rows: 14, readonly: true, "aria-label": "Text to paste under the video" }) };
  let left = false;
  let offered = { pictures: [], rounds: [] };

  const look = later(250, () => {
    image.src = `/api/show/picture?${query(asked)}`;
  });
  image.addEventListener("load", () => { wrong.hidden = true; image.hidden = false; });
  image.addEventListener("error", async () => {
    image.hidden = true;
    try {
      await get(`/api/show/picture?${query(asked)}`);
    } catch (error) {
      wrong.textContent = error.message;
      wrong.hidden = false;
    }
  });

  function choice(key, title, values) {
    if (uses[key] && !uses[key](asked.what)) return null;
    return h("label", {}, title, " ", h("select", { onchange: (e) => {
      asked[key] = e.target.value;
      if (key === "rounds") words();
      if (key === "what") asked.look = asked.what === "card" ? "light" : "dark";
      draw();
    } }, Object.entries(values).map(([value, said]) => h("option", { value, selected: value === asked[key] }, said))));
  }

  function draw() {
    clear(parts.form, choice("what", "What", WHAT), choice("clip", "Clip", clips), choice("size", "Size", SIZES),
      choice("rate", "Pictures a second", RATES), choice("codec", "Format", asked.what === "mosaic" ? { h264: CODECS.h264, h265: CODECS.h265 } : CODECS),
      choice("look", "Look", LOOKS), choice("background", "Background", { ...BACKGROUNDS, ...Object.fromEntries(offered.pictures.map((p) => [p, p])) }),
      offered.rounds.length > 1 && asked.what !== "annotate" && choice("rounds", "Rounds", { "": "this one", all: `all: ${offered.rounds.join(", ")}` }), choice("panel", "Charts", PANELS),
      uses.title(asked.what) && h("label", {}, "Title ", h("input", { value: asked.title, oninput: (e) => { asked.title = e.target.value; look(); } })),
      h("button", { class: "primary", onclick: make }, "Make it"));
    look();
  }

  async function make() {
    try {
      await post("/api/show", asked);
      let task;
      do {
        await new Promise((resolve) => setTimeout(resolve, 400));
        await page.refresh();
        task = page.session.tasks.show;
        if (task?.state === "running") working(task);
      } while (task?.state === "running" && !left);
      if (task?.state === "failed") throw new Error(task.message);
      const { files } = await get("/api/show/made");
      clear(parts.work, task?.state === "cancelled" ? h("p", {}, "Cancelled; nothing was left behind.") : h("ul", {}, files.map((f) => h("li", {},
        f.folder ? `Folder ${f.name} in the session` : h("a", { href: `/api/show/file?${query({ name: f.name })}`, download: "" }, f.name)))));
    } catch (error) {
      clear(parts.work);
      page.fail(error);
    }
  }

  function working(task) {
    clear(parts.work, h("progress", { max: 1, value: task.share, "aria-label": "Making" }), " ", percent(task.share),
      task.left_s ? `, ${seconds(task.left_s)} left ` : " ",
      h("button", { onclick: () => post("/api/cancel", { kind: "show" }).catch((e) => page.fail(e)) }, "Cancel"));
  }

  root.append(parts.form, parts.work, wrong, image, h("h2", {}, "Text to paste under the video"), parts.text,
    h("p", {}, h("button", { onclick: () => navigator.clipboard.writeText(parts.text.value).then(() => page.say("Copied.")) }, "Copy")));
  const turn = turns();
  function words() {
    const current = turn();
    const put = (text) => { if (current()) parts.text.value = text; };
    get(`/api/show/text?${query({ rounds: asked.rounds })}`).then((found) => put(found.text), (error) => put(error.message));
  }
  draw();
  words();
  get("/api/show/offered").then((found) => { offered = found; if (!left) draw(); }, (error) => page.fail(error));
  return { leave: () => { left = true; } };
}
