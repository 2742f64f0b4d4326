// The playing view: a page of music with one line a mic, its loudness standing on it, its effects written on it.

import { h, text, attribute, arrange, disable, show } from "./dom.js";
import { state, ready, scene, isDesk, valueInWords } from "./state.js";
import { send } from "./connection.js";
import { Effects } from "./effect.js";
import { Head } from "./head.js";
import { Night } from "./night.js";
import { Outputs } from "./outputs.js";
import * as strokes from "./strokes.js";
import * as words from "./words.js";

export class Score {
  constructor(section) {
    this.section = section;
    this.head = new Head();
    this.words = words.list("words");
    this.staves = h("div.staves");
    this.night = new Night();
    this.outputs = new Outputs();
    this.elsewhere = h("p.elsewhere");
    this.effects = new Effects(this.staves, () => this.update());
    this.drawnFor = null;
    section.append(this.head.element, this.words, this.staves, this.elsewhere, this.night.element, this.outputs.element);
  }

  build() {
    strokes.clear();
    this.drawnFor = state.piece;
    this.mutes = [];
    this.lines = state.piece.mics.map((mic, index) => this.line(mic, index));
    this.staves.classList.toggle("many", this.lines.length > 8);
  }

  line(mic, index) {
    const canvas = h("canvas", { "aria-hidden": "true" });
    strokes.add(canvas, index);
    const mute = h("button.mute", { type: "button" });
    mute.addEventListener("click", () => send({ do: "mute", mic: mic.name, on: !state.now.muted[index] }));
    this.mutes.push(mute);
    const effects = h("div.effects");
    const left = mic.input === null ? h("span.out", {}, "left out") : null;
    const element = h(
      "div.line",
      { "data-mic": mic.name, role: "group", "aria-label": mic.name },
      h("div.who", {}, h("span.instrument", {}, mic.name, left), mute),
      h("div.staff", {}, canvas),
      effects,
    );
    return { element, effects };
  }

  // An effect of one mic stands on that mic's line. An effect of several stands once, below the last of them; a thinner
  // bracket joins their lines.
  place() {
    const { shown } = this.effects;
    const shared = shown.filter((effect) => effect.row);
    this.lines.forEach(({ element, effects }, mic) => {
      arrange(effects, shown.filter((effect) => !effect.row && effect.mics[0] === mic).map((effect) => effect.element));
      element.classList.toggle("joined", shared.some((effect) => effect.mics.includes(mic)));
    });
    arrange(this.staves, this.lines.flatMap(({ element }, mic) => [element, ...shared.filter((effect) => Math.max(...effect.mics) === mic).map((effect) => effect.row)]));
    this.staves.classList.toggle("bare", shown.length === 0);
  }

  update() {
    if (!ready()) return;
    const { piece, now } = state;
    if (this.drawnFor !== piece) this.build();
    if (this.effects.change(scene().effects.map(({ effect }) => effect))) this.place();
    this.head.update();
    words.fill(this.words);
    for (const effect of this.effects.shown) effect.update();
    this.mutes.forEach((mute, index) => {
      attribute(mute, "aria-pressed", now.muted[index]);
      const word = now.muted[index] ? "muted" : "mute";
      text(mute, word);
      attribute(mute, "aria-label", `${word} ${piece.mics[index].name}`);
      disable(mute, !isDesk());
      show(mute, piece.role === "desk" || now.muted[index]);
    });
    this.moved();
    this.night.update();
    this.outputs.update();
  }

  // A controller that works nothing in this scene is told in a few words while it is away from rest.
  moved() {
    const { piece, now } = state;
    const here = new Set(this.effects.shown.map((effect) => effect.controller));
    const away = piece.controllers
      .map((controller, index) => ({ controller, index, value: now.controllers[index] }))
      .filter(({ controller, index, value }) => controller.works === "effect" && !here.has(index) && value > 0.03)
      .map(({ controller, index, value }) => `${controller.name} ${valueInWords(index, value)}`);
    text(this.elsewhere, away.length > 0 ? `Not used in this scene, yet away from rest: ${away.join("; ")}` : "");
  }

  metered() {
    if (!ready()) return;
    this.head.time();
    this.outputs.metered();
  }
}
