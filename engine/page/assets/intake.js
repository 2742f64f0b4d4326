// Where a sound comes in: a file that is dropped or chosen, or the last seconds of a mic.

import { h, text, show, disable } from "./dom.js";
import { ask, sentence, LOST } from "./asking.js";

const MOST = 64 << 20; // bytes, as the server has it
const LENGTHS = [2, 4, 8, 12, 20]; // seconds, as far back as the program listens

export class Intake {
  /** `taken(study)` when there is one. */
  constructor(taken) {
    this.taken = taken;
    this.leave = null; // ends what is under way
    this.file = h("input.unseen", { type: "file", id: "study-file", accept: "audio/*,.wav,.flac,.aif,.aiff,.mp3,.ogg", tabindex: "-1", "aria-hidden": "true" });
    this.choose = h("button", { type: "button", id: "study-choose", onclick: () => this.file.click() }, "Choose a file");
    this.drop = h("div.drop", {}, h("p", {}, "Drop a recording here"), this.choose, this.file);
    this.mic = h("select", { id: "study-mic" });
    this.length = h("select", { id: "study-length" }, ...LENGTHS.map((length) => h("option", { value: length, selected: length === 8 }, `${length} s`)));
    this.take = h("button", { type: "button", id: "study-take", onclick: () => this.fromMic() }, "Take it");
    this.micPart = h(
      "div.from-mic",
      {},
      h("div.choice", {}, h("label", { for: "study-length" }, "Or the last"), this.length, h("label", { for: "study-mic" }, "of"), this.mic, this.take),
      h("p.small", {}, "Recording people needs their consent: ask them first."),
    );
    this.said = h("span", { role: "status" });
    this.stop = h("button.plain", { type: "button", hidden: true, onclick: () => this.leave?.() }, "Leave it");
    this.trouble = h("p.trouble", { role: "alert" });
    this.element = h("div.intake", {}, this.drop, this.micPart, h("div.news", {}, h("p.progress", {}, this.said, this.stop), this.trouble));
    this.file.addEventListener("change", () => {
      if (this.file.files.length > 0) this.send(this.file.files[0]);
      // The same file may be chosen again.
      this.file.value = "";
    });
    this.listen();
  }

  // A file that is dropped beside the place would otherwise put itself in the page's place, in the middle of a concert.
  listen() {
    const held = (event) => event.dataTransfer?.types.includes("Files");
    const here = (event) => this.element.closest("section").contains(event.target);
    addEventListener("dragover", (event) => {
      if (!held(event)) return;
      event.preventDefault();
      event.dataTransfer.dropEffect = here(event) && !this.leave ? "copy" : "none";
      this.drop.classList.toggle("over", here(event));
    });
    addEventListener("dragleave", (event) => event.relatedTarget === null && this.drop.classList.remove("over"));
    addEventListener("drop", (event) => {
      if (!held(event)) return;
      event.preventDefault();
      this.drop.classList.remove("over");
      const [file] = event.dataTransfer.files;
      if (file && here(event) && !this.leave) this.send(file);
    });
  }

  /** The mics to choose from. */
  mics(all) {
    const open = all.filter((mic) => mic.input !== null).map((mic) => mic.name);
    show(this.micPart, open.length > 0);
    if (JSON.stringify(open) === this.shown) return;
    this.shown = JSON.stringify(open);
    const before = this.mic.value;
    this.mic.replaceChildren(...open.map((name) => h("option", { value: name, selected: name === before }, name)));
  }

  begin(words, leave) {
    this.leave = leave;
    text(this.trouble, "");
    text(this.said, words);
    this.busy(true);
  }

  end(told, trouble) {
    const focused = this.element.contains(document.activeElement) || document.activeElement === document.body;
    this.leave = null;
    text(this.said, "");
    text(this.trouble, trouble ?? "");
    this.busy(false);
    if (told) this.taken(told);
    else if (focused) this.choose.focus();
  }

  busy(yes) {
    for (const control of [this.choose, this.take, this.mic, this.length]) disable(control, yes);
    show(this.stop, yes);
  }

  /** Sends a file. By the older way of asking, which alone tells how much has left. */
  send(file) {
    if (file.size > MOST) return text(this.trouble, `${file.name} is too large: at most ${MOST >> 20} MB, cut it shorter.`);
    const request = new XMLHttpRequest();
    request.open("POST", `/study?${new URLSearchParams({ name: file.name })}`);
    request.setRequestHeader("Content-Type", "application/octet-stream");
    request.responseType = "json";
    request.upload.addEventListener("progress", ({ loaded, total }) => {
      text(this.said, loaded < total ? `Sending ${file.name}: ${Math.floor((100 * loaded) / total)} %` : `Listening to ${file.name} …`);
    });
    request.addEventListener("load", () => {
      const good = request.status === 200 && request.response;
      this.end(good, good ? null : sentence(request.response?.error, request.status));
    });
    request.addEventListener("error", () => this.end(null, LOST));
    request.addEventListener("abort", () => this.end(null, null));
    this.begin(`Sending ${file.name} …`, () => request.abort());
    request.send(file);
  }

  async fromMic() {
    const [mic, seconds] = [this.mic.value, Number(this.length.value)];
    const left = new AbortController();
    this.begin(`Listening to the last ${seconds} s of ${mic} …`, () => left.abort());
    const { told, trouble } = await ask("/study/mic", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ mic, seconds }), signal: left.signal });
    this.end(told, left.signal.aborted ? null : trouble);
  }
}
