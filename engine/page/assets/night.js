// The levels of the night: one for all effects of a name. Each moves at its effect's name; here stands what the hall file
// does not say yet, and the one button that writes it there.

import { h, text, disable, show } from "./dom.js";
import { state, isDesk } from "./state.js";
import { send } from "./connection.js";

export const LEAST = -24;
export const MOST = 6;

/** A level in dB, as it is read aloud. */
export const decibels = (db) => `${db > 0 ? "+" : ""}${db.toFixed(1).replace("-", "−")} dB`;

const tenths = (db) => Math.round(db * 10);

/** The names and levels that are not what the hall says. */
const unsaid = () =>
  state.piece.trims
    .map(({ owner, key, db }, index) => ({ name: `${owner}.${key}`, hall: db, now: state.now.trims_db[index] ?? db }))
    .filter(({ hall, now }) => tenths(hall) !== tenths(now));

export class Night {
  constructor() {
    this.differs = h("p.differs");
    this.write = h("button", { type: "button" }, "Write into the hall file");
    this.write.addEventListener("click", () => send({ do: "keep" }));
    this.said = h("p.said", { role: "status" });
    this.element = h("section.night", { hidden: true, "aria-labelledby": "night-title" }, h("h2", { id: "night-title" }, "Levels of the night"), this.differs, this.write, this.said);
  }

  update() {
    const { piece, now } = state;
    const levels = unsaid();
    const said = now.kept ?? "";
    show(this.element, piece.role === "desk" && (levels.length > 0 || said !== ""));
    text(this.differs, levels.map(({ name, hall, now }) => `${name} ${decibels(now)} (hall ${decibels(hall)})`).join("; "));
    text(this.said, said);
    show(this.write, piece.learn && levels.length > 0);
    disable(this.write, !isDesk());
  }
}
