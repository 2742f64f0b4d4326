// The playing view: a page of music with one line a mic, its loudness standing on it, its effects written on it.

import { h, text, attribute, disable, show } from "./dom.js";
import { state, ready, scene, isDesk, mayMove, standing, valueInWords } from "./state.js";
import { send } from "./connection.js";
import { Head } from "./head.js";
import { Lever } from "./lever.js";
import { Outputs } from "./outputs.js";
import * as strokes from "./strokes.js";
import * as words from "./words.js";

/** One effect of the scene in force, with its lever if a controller works it. */
export class Effect {
  constructor(index, whose) {
    const { piece } = state;
    const it = piece.effects[index];
    this.index = index;
    this.controller = it.controller;
    this.state = h("span", { class: "state" });
    const controller = it.controller === null ? null : piece.controllers[it.controller];
    const after = it.after ? ` after ${it.after}` : "";
    const by = controller === null ? "" : controller.kind === "loudness" ? `follows ${controller.name}` : `by ${controller.name}`;
    this.lever = null;
    if (controller !== null) {
      this.lever = new Lever({
        label: `${controller.name}: ${it.key} of ${whose}`,
        twoWay: controller.kind === "switch",
        words: (value) => `${valueInWords(it.controller, value)}, ${standing(index)}`,
        move: (value) => send({ do: "controller", name: controller.name, value }),
        data: { "data-lever": controller.name },
      });
    }
    this.element = h(
      "div",
      { class: "effect", "data-effect": it.key, title: [it.help, it.x && `The controller: ${it.x}`, it.settings.join(", ")].filter(Boolean).join("\n") },
      h("p", { class: "expression" }, h("em", {}, it.key), h("span", { class: "by" }, `${by}${after}`), this.state),
      this.lever?.element,
    );
  }

  update() {
    const { now } = state;
    const stands = now.hushed && now.effects[this.index] !== "out" ? "waits" : now.effects[this.index];
    attribute(this.element, "data-state", stands);
    text(this.state, standing(this.index));
    this.lever?.show(now.controllers[this.controller] ?? 0, stands, mayMove(this.controller));
  }
}

export class Score {
  constructor(section) {
    this.section = section;
    this.head = new Head();
    this.words = words.list("words");
    this.staves = h("div", { class: "staves" });
    this.outputs = new Outputs();
    this.elsewhere = h("p", { class: "elsewhere" });
    this.effects = [];
    this.mutes = [];
    this.drawnFor = null;
    section.append(this.head.element, this.words, this.staves, this.elsewhere, this.outputs.element);
  }

  /** Draws the lines of a scene anew: whenever the piece or the scene changed. */
  build() {
    const { piece } = state;
    strokes.clear();
    this.effects = [];
    this.mutes = [];
    const lines = piece.mics.map((mic, index) => this.line(mic, index));
    for (const { effect } of scene().effects) this.place(effect, lines);
    const rows = [];
    piece.mics.forEach((_, index) => {
      rows.push(lines[index].element);
      if (lines[index].shared) rows.push(lines[index].shared);
    });
    this.staves.replaceChildren(...rows);
    attribute(this.staves, "data-many", piece.mics.length > 8 ? "true" : "false");
    attribute(this.staves, "data-bare", this.effects.length === 0 ? "true" : "false");
    lines.forEach((line, index) => strokes.add(line.canvas, index));
  }

  line(mic, index) {
    const canvas = h("canvas", { "aria-hidden": "true" });
    const mute = h("button", { type: "button", class: "mute", "aria-pressed": "false" }, "mute");
    mute.addEventListener("click", () => send({ do: "mute", mic: mic.name, on: !state.now.muted[index] }));
    this.mutes.push(mute);
    const effects = h("div", { class: "effects" });
    const left = mic.input === null ? h("span", { class: "out" }, "left out") : null;
    const element = h(
      "div",
      { class: "line", "data-mic": mic.name, role: "group", "aria-label": mic.name },
      h("div", { class: "who" }, h("span", { class: "instrument" }, mic.name, left), mute),
      h("div", { class: "staff" }, canvas),
      effects,
    );
    return { element, canvas, effects, shared: null };
  }

  // An effect of one mic stands on that mic's line. An effect of several stands once, below the last of them, with
  // their names; a thinner bracket joins their lines.
  place(index, lines) {
    const { piece } = state;
    const it = piece.effects[index];
    const names = it.mics.map((mic) => piece.mics[mic].name);
    const effect = new Effect(index, names.length > 1 ? names.join(", ") : it.owner);
    this.effects.push(effect);
    if (it.mics.length === 1) {
      lines[it.mics[0]].effects.append(effect.element);
      return;
    }
    const home = lines[Math.max(...it.mics)];
    home.shared ??= h("div", { class: "shared joined" });
    home.shared.append(h("p", { class: "names" }, h("em", {}, it.owner), ` (${names.join(" + ")})`), effect.element);
    for (const mic of it.mics) lines[mic].element.classList.add("joined");
  }

  update() {
    if (!ready()) return;
    const { piece, now } = state;
    if (this.drawnFor !== piece || this.drawnScene !== now.scene) {
      this.drawnFor = piece;
      this.drawnScene = now.scene;
      this.build();
    }
    this.head.update();
    words.fill(this.words);
    for (const effect of this.effects) effect.update();
    this.mutes.forEach((mute, index) => {
      attribute(mute, "aria-pressed", now.muted[index] ? "true" : "false");
      const word = now.muted[index] ? "muted" : "mute";
      text(mute, word);
      attribute(mute, "aria-label", `${word} ${piece.mics[index].name}`);
      disable(mute, !isDesk());
      show(mute, piece.role === "desk" || now.muted[index]);
    });
    this.moved();
    this.outputs.update();
  }

  // A controller that works nothing in this scene is told in a few words while it is away from rest.
  moved() {
    const { piece, now } = state;
    const here = new Set(this.effects.map((effect) => effect.controller));
    const away = piece.controllers
      .map((controller, index) => ({ controller, index, value: now.controllers[index] }))
      .filter(({ controller, index, value }) => controller.works === "effect" && !here.has(index) && value > 0.03)
      .map(({ controller, index, value }) => `${controller.name} ${valueInWords(index, value)}`);
    text(this.elsewhere, away.length > 0 ? `Not used in this scene, yet away from rest: ${away.join("; ")}` : "");
  }

  /** Called about 30 a second with fresh meters. */
  metered() {
    if (!ready()) return;
    this.head.time();
    this.outputs.metered();
  }
}
