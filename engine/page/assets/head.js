// The head of the score: the rehearsal mark in its box, where we are, the clocks, and what comes.

import { attribute, h, text, show } from "./dom.js";
import { state, scene } from "./state.js";
import { meters } from "./meters.js";

export function clock(samples, rate) {
  const seconds = Math.max(0, Math.floor(samples / rate));
  return `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
}

/** Shows a mark. One of so many letters is a word rather than a letter or a number, and smaller. */
export function writeMark(element, mark) {
  text(element, mark);
  attribute(element, "data-long", [...mark].length >= 7);
}

/** Bar and cue words of a scene, as they stand in parts. */
export function place(scene) {
  const bar = scene.bar === null || scene.bar === undefined ? "" : `bar ${scene.bar}`;
  return [bar, scene.cue ? `“${scene.cue}”` : ""];
}

export class Head {
  constructor() {
    this.title = h("h1", { id: "title" });
    this.mark = h("span.mark", { id: "mark" });
    this.name = h("span.name");
    this.bar = h("span.bar");
    this.cue = h("span.cue");
    this.where = h("h2.where", {}, this.name, h("span.place", {}, this.bar, this.cue));
    this.inScene = h("span.figures", { id: "in-scene" });
    this.since = h("span.figures", { id: "since-start" });
    this.nextMark = h("span.mark.small", { id: "next-mark" });
    this.nextName = h("span.name");
    this.nextBar = h("span.bar");
    this.nextCue = h("span.cue");
    this.element = h(
      "div.head",
      {},
      this.title,
      h("div.here", {}, this.mark, this.where),
      h("p.clocks", {}, h("span", {}, this.inScene, " in this scene"), h("span", {}, this.since, " since the start")),
      h("div.next", {}, h("span.then", {}, "then"), this.nextMark, h("p.where", {}, this.nextName, h("span.place", {}, this.nextBar, this.nextCue))),
    );
  }

  update() {
    const { piece, now } = state;
    text(this.title, piece.title);
    const write = (scene, ...elements) => [scene.mark, scene.name ?? "", ...place(scene)].forEach((words, index) => text(elements[index], words));
    write(scene(), this.mark, this.name, this.bar, this.cue);
    writeMark(this.mark, scene().mark);
    // A scene may have nothing but its mark: an empty heading would be read aloud as one.
    show(this.where, this.where.textContent !== "");
    const next = piece.scenes[now.scene + 1];
    show(this.nextMark, next !== undefined);
    write(next ?? { mark: "", name: "nothing: this is the last scene" }, this.nextMark, this.nextName, this.nextBar, this.nextCue);
    this.time();
  }

  /** The clocks go by the engine's sample: they stand when the engine stands. */
  time() {
    const { piece, now } = state;
    const sample = Math.max(meters.sample, now.sample);
    text(this.inScene, clock(sample - now.since, piece.rate));
    text(this.since, clock(sample, piece.rate));
  }
}
