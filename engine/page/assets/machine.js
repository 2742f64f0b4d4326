// Before the doors: what on the machine may ruin the show, looked at when the desk asks.

import { h, text, disable, show } from "./dom.js";
import { state, isDesk } from "./state.js";
import { ask } from "./asking.js";

const SIGNS = { good: "✓", look: "△", "cannot be seen": "–" };

export class Machine {
  constructor() {
    this.look = h("button", { type: "button", id: "look-over", onclick: () => this.ask() }, "Look it over");
    this.said = h("p", { role: "status" });
    this.lines = h("ul.machine", { id: "machine" });
    this.element = h("div", {}, h("div.line-up", {}, h("h2", {}, "The machine"), this.look), this.said, this.lines);
    this.asking = false;
  }

  update() {
    show(this.element, state.piece.role === "desk");
    disable(this.look, this.asking || !isDesk());
  }

  async ask() {
    this.asking = true;
    this.update();
    text(this.said, "Looking …");
    const { told, trouble } = await ask("/machine");
    this.asking = false;
    this.update();
    const open = (told ?? []).filter((line) => line.state !== "good").length;
    text(this.said, trouble ?? (open === 0 ? "All is well." : `${open} of ${told.length} to be looked at.`));
    if (told) this.lines.replaceChildren(...told.map(line));
  }
}

const line = ({ what, state: stands, found, to_do: remedy }) =>
  h(
    "li",
    { "data-state": stands },
    h("span.sign", { "aria-hidden": "true" }, SIGNS[stands] ?? ""),
    h("span", {}, h("b", {}, what), stands === "good" ? `: ${found}` : ` (${stands}): ${found}`, remedy ? h("span.remedy", {}, remedy) : null),
  );
