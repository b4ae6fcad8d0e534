// Clips that are dropped or chosen: copied piece by piece into a session, never over a file there.

import { send } from "./api.js";
import { h, percent, query } from "./dom.js";

const PIECE = 2 * 1024 * 1024;
let copying = 0;

addEventListener("beforeunload", (event) => {
  if (copying) event.preventDefault();
});

// Copies into the session of that path ("": the one on the page); tells what could not be copied.
export async function copyIn(files, path, page) {
  const bar = h("progress", { max: 1, value: 0, "aria-label": "Copying" });
  const said = h("span", {});
  const shown = h("div", { class: "copying panel", role: "status" }, said, bar);
  const total = files.reduce((sum, file) => sum + file.size, 0) || 1;
  let [done, copied] = [0, 0];
  document.body.append(shown);
  copying += 1;
  for (const [i, file] of files.entries()) {
    try {
      let at = 0;
      do {
        said.textContent = `Copying ${i + 1} of ${files.length}: ${file.name} (${percent((done + at) / total)})`;
        bar.value = (done + at) / total;
        const piece = file.slice(at, at + PIECE);
        await send(`/api/drop?${query({ path, name: file.name, at, size: file.size, modified_s: file.lastModified / 1000 })}`, piece);
        at += piece.size;
      } while (at < file.size);
      copied += 1;
    } catch (error) {
      page.say(error.message, "bad");
    }
    done += file.size;
  }
  copying -= 1;
  shown.remove();
  if (copied) page.say(`${copied} ${copied === 1 ? "clip is" : "clips are"} copied; the originals stay where they are.`);
  return copied;
}

export function chooser(text, taken, main = false) {
  return h("label", { class: `button chooser${main ? " main" : ""}` }, text, h("input", { type: "file", multiple: true, class: "unseen",
    accept: "video/*,.mkv,.ts,.mts,.mxf,.flv", onchange: (event) => {
      const files = [...event.target.files];
      event.target.value = "";
      if (files.length) taken(files);
    } }));
}

// A folder that is dropped gives the files in it.
export async function dropped(event) {
  const entries = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry?.()).filter(Boolean);
  if (!entries.length) return [...event.dataTransfer.files];
  return (await Promise.all(entries.map(filesOf))).flat(9).filter((file) => !file.name.startsWith("."));
}

async function filesOf(entry) {
  if (entry.isFile) return new Promise((resolve, reject) => entry.file(resolve, reject));
  const reader = entry.createReader();
  const found = [];
  for (;;) {
    const some = await new Promise((resolve, reject) => reader.readEntries(resolve, reject));
    if (!some.length) return Promise.all(found.map(filesOf));
    found.push(...some);
  }
}

export function catchDrops(taken) {
  const over = (on) => document.body.classList.toggle("dropping", on);
  addEventListener("dragover", (event) => {
    if (!event.dataTransfer?.types.includes("Files")) return;
    event.preventDefault();
    over(true);
  });
  addEventListener("dragleave", (event) => event.relatedTarget || over(false));
  addEventListener("drop", async (event) => {
    if (!event.dataTransfer?.types.includes("Files")) return;
    event.preventDefault();
    over(false);
    const files = await dropped(event);
    if (files.length) taken(files);
  });
}
