// Who plays the chord, and how finely it is written.

import { h, text, attribute, show } from "./dom.js";
import { kept, keep } from "./theme.js";

const PLAYERS = "tenterhook-study-players";
const STEP = "tenterhook-study-step";

function remembered() {
  try {
    const names = JSON.parse(kept(PLAYERS));
    return Array.isArray(names) ? names.filter((name) => typeof name === "string") : [];
  } catch {
    return [];
  }
}

export class Players {
  /** `changed()` whenever anything is. */
  constructor(changed) {
    this.changed = changed;
    this.chosen = [];
    this.step = "";
    this.list = h("ol");
    this.nobody = h("p.small", {}, "Nobody yet: each player that you add gets a note of the chord.");
    this.said = h("p.unseen", { role: "status" });
    this.who = h("select", { id: "study-player" });
    this.add = h("button", { type: "button", id: "study-add", onclick: () => this.put([...this.chosen, this.who.value], `${this.who.value} added`) }, "Add");
    this.steps = h("div.steps");
    this.element = h(
      "section.players",
      { "aria-labelledby": "players-title" },
      h("h3", { id: "players-title" }, "Who plays"),
      this.nobody,
      this.list,
      h("div.choice", {}, h("label", { for: "study-player" }, "Another"), this.who, this.add),
      h("fieldset", {}, h("legend", {}, "Written to the nearest"), this.steps),
      this.said,
    );
  }

  open({ players, steps }) {
    this.who.replaceChildren(...players.map((name) => h("option", {}, name)));
    const step = this.step || kept(STEP);
    this.step = steps.includes(step) ? step : (steps[0] ?? "");
    const choice = (name) => {
      const radio = h("input", { type: "radio", name: "study-step", value: name, checked: name === this.step });
      radio.addEventListener("change", () => {
        this.step = name;
        keep(STEP, name);
        this.changed();
      });
      return h("label", {}, radio, name === "exact" ? "cent (exact)" : name);
    };
    this.steps.replaceChildren(...steps.map(choice));
    // Whoever played the last sound plays this one.
    const before = this.chosen.length > 0 ? this.chosen : remembered();
    this.chosen = before.filter((name) => players.includes(name));
    this.draw();
  }

  put(chosen, words) {
    this.chosen = chosen;
    keep(PLAYERS, JSON.stringify(chosen));
    this.draw();
    text(this.said, words);
    this.changed();
  }

  draw() {
    show(this.nobody, this.chosen.length === 0);
    this.list.replaceChildren(...this.chosen.map((name, index) => h("li", {}, name, h("button.plain", { type: "button", "aria-label": `Leave out ${name}`, onclick: () => this.leave(index) }, "✕"))));
    attribute(this.list, "hidden", this.chosen.length === 0 ? "" : null);
  }

  leave(index) {
    const name = this.chosen[index];
    this.put(this.chosen.filter((_, other) => other !== index), `${name} left out`);
    // The hand stays where it was.
    const buttons = this.list.querySelectorAll("button");
    (buttons[Math.min(index, buttons.length - 1)] ?? this.add).focus();
  }
}
