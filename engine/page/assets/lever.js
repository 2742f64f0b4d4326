// One lever: a wedge that is closed at rest and open at 1, over which lies a native range input.
//
// While a hand moves it, the hand's value is drawn at once and the engine's as a tick beside it; otherwise it follows
// the engine.

import { h, attribute, disable } from "./dom.js";

const SPACING = 25; // ms between two messages
const SETTLE = 400; // ms after the last move until the engine's value rules again

const outline = () => {
  const space = "http://www.w3.org/2000/svg";
  const svg = document.createElementNS(space, "svg");
  svg.setAttribute("viewBox", "0 0 100 100");
  svg.setAttribute("preserveAspectRatio", "none");
  svg.setAttribute("aria-hidden", "true");
  const path = document.createElementNS(space, "path");
  path.setAttribute("d", "M100 8 0 50 100 92");
  svg.append(path);
  return svg;
};

export class Lever {
  /** `label`; `move(value)` sends; `words(value)` says it; `min`, `max`, `step`; `twoWay`: a press turns it over. */
  constructor({ label, move, words, min = 0, max = 1, step = 0.01, twoWay = false, data = {} }) {
    Object.assign(this, { move, words, min, max });
    this.own = null; // the hand's value while it moves
    this.told = min; // the engine's
    this.held = false;
    this.sent = -Infinity;
    this.trailing = 0;
    this.settling = 0;
    this.input = h("input", { type: "range", min, max, step: twoWay ? 1 : step, value: min, "aria-label": label, autocomplete: "off" });
    this.ink = h("span.ink");
    this.tick = h("span.told", { hidden: true });
    this.knob = h("span.knob");
    this.element = h("span.lever", { "data-state": "ready", ...data }, h("span.wedge", {}, outline(), this.ink, this.tick, this.knob), this.input);
    this.pressed = false;
    this.input.addEventListener("input", () => (this.pressed ? this.draw() : this.moved(Number(this.input.value))));
    this.input.addEventListener("pointerdown", () => (this.held = true));
    for (const end of ["pointerup", "pointercancel", "lostpointercapture"]) {
      this.input.addEventListener(end, () => {
        this.held = false;
        this.settle();
      });
    }
    if (twoWay) {
      this.element.classList.add("two-way");
      this.turnOver();
    }
    this.draw();
  }

  // A press anywhere turns a switch over, instead of moving it to where the press fell.
  turnOver() {
    this.input.addEventListener("pointerdown", () => (this.pressed = true));
    this.input.addEventListener("pointercancel", () => (this.pressed = false));
    this.input.addEventListener("pointerup", () => {
      if (!this.pressed || this.input.disabled) return;
      const from = this.own ?? this.told;
      // The browser's own idea of the press comes first, and is undone.
      setTimeout(() => {
        this.pressed = false;
        this.moved(from > this.min ? this.min : this.max);
      });
    });
  }

  moved(value) {
    this.own = value;
    this.draw();
    clearTimeout(this.trailing);
    const wait = this.sent + SPACING - performance.now();
    if (wait <= 0) this.push();
    else this.trailing = setTimeout(() => this.push(), wait);
    this.settle();
  }

  push() {
    this.sent = performance.now();
    if (this.own !== null) this.move(this.own);
  }

  settle() {
    clearTimeout(this.settling);
    this.settling = setTimeout(() => {
      if (this.held) return;
      this.own = null;
      this.draw();
    }, SETTLE);
  }

  /** The engine's value, the effect's state and whether this page may move it. */
  show(value, standing, may) {
    disable(this.input, !may);
    if (!may) {
      this.own = null;
      this.held = false;
    }
    attribute(this.element, "data-state", standing);
    if (value !== this.told || this.shownMay !== may) {
      this.told = value;
      this.shownMay = may;
      this.draw();
    }
    attribute(this.input, "aria-valuetext", this.words(value));
  }

  share(value) {
    return Math.min(1, Math.max(0, (value - this.min) / (this.max - this.min)));
  }

  draw() {
    const value = this.own ?? this.told;
    if (Number(this.input.value) !== value) this.input.value = value;
    this.element.style.setProperty("--v", this.share(value));
    this.element.style.setProperty("--told", this.share(this.told));
    const apart = Math.abs(this.share(value) - this.share(this.told)) > 0.005;
    if (this.tick.hidden === apart) this.tick.hidden = !apart;
  }
}
