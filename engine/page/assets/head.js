// The head of the score: the rehearsal mark in its box, where we are, the clocks, and what comes.

import { h, text, show } from "./dom.js";
import { state, scene } from "./state.js";
import { meters } from "./meters.js";

/** Minutes and seconds. */
export function clock(samples, rate) {
  const seconds = Math.max(0, Math.floor(samples / rate));
  return `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
}

/** Bar and cue words of a scene, as they stand in parts. */
export function place(scene) {
  const bar = scene.bar === null || scene.bar === undefined ? "" : `bar ${scene.bar}`;
  return [bar, scene.cue ? `“${scene.cue}”` : ""];
}

export class Head {
  constructor() {
    this.title = h("h1", { id: "title" });
    this.mark = h("span", { id: "mark", class: "mark" });
    this.name = h("span", { class: "name" });
    this.bar = h("span", { class: "bar" });
    this.cue = h("span", { class: "cue" });
    this.inScene = h("span", { id: "in-scene", class: "figures" });
    this.since = h("span", { id: "since-start", class: "figures" });
    this.nextMark = h("span", { id: "next-mark", class: "mark small" });
    this.nextName = h("span", { class: "name" });
    this.nextBar = h("span", { class: "bar" });
    this.nextCue = h("span", { class: "cue" });
    this.element = h(
      "div",
      { class: "head" },
      this.title,
      h("div", { class: "here" }, this.mark, h("h2", { class: "where" }, this.name, h("span", { class: "place" }, this.bar, this.cue))),
      h("p", { class: "clocks" }, h("span", {}, this.inScene, " in this scene"), h("span", {}, this.since, " since the start")),
      h("div", { class: "next" }, h("span", { class: "then" }, "then"), this.nextMark, h("p", { class: "where" }, this.nextName, h("span", { class: "place" }, this.nextBar, this.nextCue))),
    );
  }

  update() {
    const { piece, now } = state;
    text(this.title, piece.title);
    const write = (scene, mark, name, bar, cue) => {
      text(mark, scene.mark);
      text(name, scene.name ?? "");
      const [barWords, cueWords] = place(scene);
      text(bar, barWords);
      text(cue, cueWords);
    };
    write(scene(), this.mark, this.name, this.bar, this.cue);
    const next = piece.scenes[now.scene + 1];
    show(this.nextMark, next !== undefined);
    if (next) write(next, this.nextMark, this.nextName, this.nextBar, this.nextCue);
    else {
      text(this.nextName, "nothing: this is the last scene");
      text(this.nextBar, "");
      text(this.nextCue, "");
    }
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
