// Hearing the sound and its chord, and taking along what is made of them.

import { h, text } from "./dom.js";
import { refusal, LOST } from "./asking.js";

const FILES = [
  ["notes.musicxml", "Notes", "MusicXML"],
  ["notes.mid", "Notes to play", "MIDI"],
  ["partials.csv", "Table of partials", "CSV"],
  ["spectrum.toml", "Spectrum", "TOML"],
  ["piece.toml", "Piece that uses it", "TOML"],
  ["picture.svg", "Picture to print", "SVG"],
  ["picture.png", "Picture", "PNG"],
];

/** The name that the server gives a file. */
function named(answer, file) {
  const spelt = /filename\*=UTF-8''([^;]+)/.exec(answer.headers.get("Content-Disposition") ?? "");
  return spelt ? decodeURIComponent(spelt[1]) : file;
}

export class Taking {
  /** `asked()`: what files are to be made of. `hearing` and `along` are its two parts. */
  constructor(asked) {
    this.asked = asked;
    this.study = null;
    this.heard = h("p.trouble", { role: "alert" });
    this.sound = this.audio("Sound");
    this.chord = this.audio("Chord");
    this.said = h("p.progress", { role: "status" });
    this.trouble = h("p.trouble", { role: "alert" });
    this.links = FILES.map(([file, name, kind]) => {
      const link = h("a", { "data-file": file, href: "#study" }, h("span.name", {}, name), h("span.kind", {}, kind));
      link.addEventListener("click", (event) => {
        if (event.ctrlKey || event.metaKey || event.shiftKey) return;
        event.preventDefault();
        this.take(link, file);
      });
      return link;
    });
    this.hearing = h("section.hearing", { "aria-labelledby": "hearing-title" }, h("h3", { id: "hearing-title" }, "Hear"), this.sound.element, this.chord.element, this.heard);
    this.along = h("section.along", { "aria-labelledby": "along-title" }, h("h3", { id: "along-title" }, "Take along"), h("ul", {}, ...this.links.map((link) => h("li", {}, link))), this.said, this.trouble);
  }

  audio(label) {
    const audio = h("audio", { controls: true, preload: "none", "aria-label": label });
    audio.addEventListener("error", () => audio.getAttribute("src") && this.why(audio, label));
    audio.addEventListener("play", () => {
      text(this.heard, "");
      for (const other of [this.sound, this.chord]) if (other.audio !== audio) other.audio.pause();
    });
    return { audio, element: h("div.hear-one", {}, h("span.name", {}, label), audio) };
  }

  /** `at(time)` while the sound is heard, and `at(null)` when it is no longer. */
  follow(at) {
    const { audio } = this.sound;
    const step = () => {
      at(audio.paused ? null : audio.currentTime);
      if (!audio.paused) requestAnimationFrame(step);
    };
    audio.addEventListener("playing", step);
    for (const end of ["pause", "ended", "emptied"]) audio.addEventListener(end, () => at(null));
  }

  open(study) {
    this.study = study;
    for (const words of [this.heard, this.said, this.trouble]) text(words, "");
    this.put(this.sound.audio, `/study/${study.id}/sound.wav`);
  }

  put(audio, address) {
    if (audio.getAttribute("src") === address) return;
    audio.pause();
    audio.setAttribute("src", address);
  }

  /** What is asked for has changed. */
  update() {
    const asked = this.asked();
    this.put(this.chord.audio, `/study/${this.study.id}/chord.wav?${asked}`);
    for (const link of this.links) link.setAttribute("href", `/study/${this.study.id}/${link.dataset.file}?${asked}`);
  }

  // The audio element does not tell what the server said: ask again, plainly.
  async why(audio, label) {
    try {
      const answer = await fetch(audio.src, { headers: { Range: "bytes=0-0" } });
      text(this.heard, `the ${label.toLowerCase()} cannot be heard: ${answer.ok ? "this browser cannot play it." : await refusal(answer)}`);
    } catch {
      text(this.heard, `the ${label.toLowerCase()} cannot be heard: ${LOST}`);
    }
  }

  // Fetched first, so that a refusal is said here and not kept as a file.
  async take(link, file) {
    const [name] = link.childNodes;
    text(this.trouble, "");
    text(this.said, `Making the ${name.textContent.toLowerCase()} …`);
    try {
      const answer = await fetch(link.href);
      if (!answer.ok) return text(this.trouble, await refusal(answer));
      const address = URL.createObjectURL(await answer.blob());
      h("a", { href: address, download: named(answer, file) }).click();
      setTimeout(() => URL.revokeObjectURL(address), 60_000);
    } catch {
      text(this.trouble, LOST);
    } finally {
      text(this.said, "");
    }
  }
}
