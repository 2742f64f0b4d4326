// Every controller with what reaches it and how it stands; the desk lets one be learned by working it.

import { h, text, attribute, disable, show } from "./dom.js";
import { state, ready, isDesk, valueInWords } from "./state.js";
import { send } from "./connection.js";

class Row {
  constructor(index) {
    const it = state.piece.controllers[index];
    this.index = index;
    this.name = it.name;
    this.value = h("span.value.figures");
    this.said = h("p.said", { role: "status" });
    this.learn = h("button.plain", { type: "button" }, "Learn");
    // Which of two rows is meant is seen, but must be heard as well.
    this.learn.addEventListener("click", () => send({ do: "learn", ...(this.listens ? {} : { name: it.name }) }));
    this.element = h(
      "div.reached",
      { role: "group", "aria-label": it.name, "data-controller": it.name },
      h("span.name", {}, it.name),
      h("span.by", {}, it.works === "effect" ? it.by : `${it.by}: ${it.works}`),
      this.value,
      this.learn,
      this.said,
    );
  }

  update() {
    const { piece, now } = state;
    const learning = now.learning?.controller === this.name ? now.learning : null;
    this.listens = learning?.listens === true;
    // What fires or hushes works no effect: the engine tells no value of it.
    text(this.value, piece.controllers[this.index].works === "effect" ? valueInWords(this.index, now.controllers[this.index] ?? 0) : "");
    text(this.said, learning?.text ?? "");
    text(this.learn, this.listens ? "Leave it" : "Learn");
    attribute(this.learn, "aria-label", `${this.listens ? "Leave it" : "Learn"}: ${this.name}`);
    show(this.learn, piece.learn);
    disable(this.learn, !isDesk());
  }
}

export class Controllers {
  constructor() {
    this.rows = [];
    this.drawnFor = null;
    this.list = h("div.all-reached");
    this.element = h("div", { id: "controllers" }, h("h2", {}, "Controllers"), this.list);
  }

  update() {
    const { piece } = state;
    show(this.element, ready() && piece.role === "desk" && piece.controllers.length > 0);
    if (!ready()) return;
    if (this.drawnFor !== piece) {
      this.drawnFor = piece;
      this.rows = piece.controllers.map((_, index) => new Row(index));
      this.list.replaceChildren(...this.rows.map((row) => row.element));
    }
    this.rows.forEach((row) => row.update());
  }
}
