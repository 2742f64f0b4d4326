// One effect with its lever, and those effects that are shown.

import { h, text, attribute, show } from "./dom.js";
import { state, drawn, isDesk, mayMove, standing, valueInWords } from "./state.js";
import { send } from "./connection.js";
import { Lever } from "./lever.js";
import { LEAST, MOST, decibels } from "./night.js";

/** The level of an effect's name: it stands beside the name, which opens its lever for the desk. */
class Level {
  constructor(index) {
    const { owner, key } = state.piece.trims[index];
    const name = `${owner}.${key}`;
    this.index = index;
    this.db = 0;
    this.open = false;
    this.said = h("span.trim.figures");
    this.name = state.piece.role === "desk" ? h("button.plain.called", { type: "button", "aria-expanded": "false", "data-trim": name, title: `How loud ${name} is tonight` }, h("em", {}, key)) : h("em", {}, key);
    this.name.addEventListener("click", () => {
      this.open = state.piece.role === "desk" && !this.open;
      this.update();
    });
    this.lever = new Lever({
      label: `Level tonight, ${name}`,
      min: LEAST,
      max: MOST,
      step: 0.5,
      words: () => decibels(this.db),
      move: (db) => send({ do: "trim", owner, key, db }),
      data: { "data-trim-level": name },
    });
    this.element = h("div.tonight", { role: "group", "aria-label": `Level tonight, ${name}`, hidden: true }, h("span.scale", { "aria-hidden": "true" }, "−24"), this.lever.element, h("span.scale", { "aria-hidden": "true" }, "+6 dB"));
  }

  update() {
    this.db = state.now.trims_db[this.index] ?? 0;
    text(this.said, this.open || this.db !== 0 ? decibels(this.db) : "");
    if (state.piece.role === "desk") attribute(this.name, "aria-expanded", this.open);
    show(this.element, this.open);
    this.lever.show(this.db, "on", isDesk());
  }
}

class Effect {
  constructor(index) {
    const { piece } = state;
    const it = piece.effects[index];
    this.index = index;
    this.mics = it.mics;
    this.controller = it.controller;
    this.state = h("span.state");
    const names = it.mics.map((mic) => piece.mics[mic].name);
    const controller = it.controller === null ? null : piece.controllers[it.controller];
    const after = it.after ? ` after ${it.after}` : "";
    const by = controller === null ? "" : controller.kind === "loudness" ? `follows ${controller.name}` : `by ${controller.name}`;
    this.level = new Level(it.trim);
    this.lever = null;
    if (controller !== null) {
      this.lever = new Lever({
        label: `${controller.name}: ${it.key} of ${names.length > 1 ? names.join(", ") : it.owner}`,
        twoWay: controller.kind === "switch",
        words: (value) => `${valueInWords(it.controller, value)}, ${standing(index)}`,
        move: (value) => send({ do: "controller", name: controller.name, value }),
        data: { "data-lever": controller.name },
      });
    }
    this.element = h(
      "div.effect",
      { "data-effect": it.key, title: [it.help, it.x && `The controller: ${it.x}`, it.settings.join(", ")].filter(Boolean).join("\n") },
      h("p.expression", {}, this.level.name, this.level.said, h("span.by", {}, `${by}${after}`), this.state),
      this.lever?.element,
      this.level.element,
    );
    // An effect of several mics has a row of its own, with their names.
    this.row = names.length > 1 ? h("div.shared.joined", {}, h("p.names", {}, h("em", {}, it.owner), ` (${names.join(" + ")})`), this.element) : null;
  }

  get held() {
    return Boolean(this.lever?.held) || this.level.lever.held || this.element.querySelector(":focus-visible") !== null;
  }

  update() {
    const { now } = state;
    const stands = drawn(now.effects[this.index]);
    attribute(this.element, "data-state", stands);
    attribute(this.element, "data-lacks", stands === "on" ? now.whys[this.index] : null);
    text(this.state, standing(this.index));
    this.level.update();
    this.lever?.show(now.controllers[this.controller] ?? 0, stands, mayMove(this.controller));
  }
}

/** The effects that are shown within an element. They are made once a piece, so that no scene takes a lever from a hand. */
export class Effects {
  /** `update` is called when a hand has left an effect that has no place any more. */
  constructor(within, update) {
    this.piece = null;
    this.shown = [];
    this.lingers = false;
    for (const end of ["pointerup", "pointercancel", "focusout"]) within.addEventListener(end, () => this.lingers && setTimeout(update));
  }

  /** Whether other ones than before are to be shown: these, by index, and those that a hand is on. */
  change(wanted) {
    const fresh = this.piece !== state.piece;
    if (fresh) {
      this.piece = state.piece;
      this.made = new Map();
      this.shown = [];
    }
    const held = this.shown.filter((effect) => effect.held).map((effect) => effect.index);
    // By index: so the order of those that stay never changes.
    const indices = [...new Set([...wanted, ...held])].sort((one, other) => one - other);
    this.lingers = indices.length > wanted.length;
    if (!fresh && indices.join() === this.shown.map((effect) => effect.index).join()) return false;
    this.shown = indices.map((index) => {
      if (!this.made.has(index)) this.made.set(index, new Effect(index));
      return this.made.get(index);
    });
    return true;
  }
}
