// What a moment is made of: in words, and as a table of its partials.

import { h, text, show } from "./dom.js";
import { figure } from "./asking.js";

const FIRST = 24; // rows before one asks for more
const DEEPEST = 60; // dB below the strongest: no ink is left

/** A note as it is printed. */
const printed = (note) => note.replaceAll("#", "♯");

const cents = (cents) => {
  const whole = Math.round(cents);
  return whole === 0 ? "0" : `${whole > 0 ? "+" : ""}${figure(whole, 0)}`;
};

function list(words) {
  return words.length < 2 ? words.join("") : `${words.slice(0, -1).join(", ")} and ${words.at(-1)}`;
}

/** The pitch, if there is one. */
function pitch({ fundamental_hz: hz, harmonicity, partials }) {
  if (hz === null) return "No one pitch: the partials stand for themselves";
  const near = partials.find((partial) => Math.abs(1200 * Math.log2(partial.hz / hz)) < 30);
  const note = near ? ` (${printed(near.note)}, ${cents(near.cents)} cents)` : "";
  const how = harmonicity > 0.9 ? "with partials in tune with it" : harmonicity > 0.6 ? "with partials that stray from it" : "with partials of their own";
  return `Fundamental ${figure(hz, 1)} Hz${note}, ${how}`;
}

function breath(share) {
  const percent = `${Math.round(100 * share)} %`;
  if (share < 0.05) return `hardly any noise (${percent})`;
  if (share < 0.2) return `a little noise (${percent})`;
  return share < 0.5 ? `much noise (${percent})` : `mostly noise (${percent})`;
}

/** `words` says what the moment is, `element` is the table. */
export class Partials {
  constructor() {
    this.filled = false;
    this.words = h("p.in-words");
    this.rows = h("tbody");
    this.more = h("button", { type: "button", hidden: true });
    this.more.addEventListener("click", () => this.unfold());
    const heads = ["Note", "Cents", "Hz", "Level, dB", "Sure"].map((name) => h("th", { scope: "col" }, name));
    this.table = h("table", { hidden: true }, h("caption.unseen", {}, "Partials, the strongest first"), h("thead", {}, h("tr", {}, ...heads)), this.rows);
    this.element = h("section.partials", { "aria-labelledby": "partials-title" }, h("h3", { id: "partials-title" }, "Partials"), this.table, this.more);
  }

  wait(yes) {
    for (const part of [this.element, this.words]) part.classList.toggle("waits", yes);
    this.element.setAttribute("aria-busy", yes);
  }

  clear() {
    this.filled = false;
    text(this.words, "");
    this.rows.replaceChildren();
    show(this.table, false);
    show(this.more, false);
  }

  fill(moment) {
    this.filled = true;
    const { partials, formants, noise } = moment;
    const colour = formants.length > 0 ? `formants near ${list(formants.map(({ hz }) => figure(hz, 0)))} Hz` : "no formants";
    text(this.words, `${pitch(moment)}; ${colour}; ${breath(noise)}.`);
    this.rest = partials.slice(FIRST);
    this.top = partials[0]?.db ?? 0;
    this.rows.replaceChildren(...partials.slice(0, FIRST).map((partial) => this.row(partial)));
    show(this.table, partials.length > 0);
    show(this.more, this.rest.length > 0);
    text(this.more, `Show the ${this.rest.length} weaker ones`);
  }

  unfold() {
    const rows = this.rest.map((partial) => this.row(partial));
    this.rows.append(...rows);
    show(this.more, false);
    // Whoever reads on with the keyboard goes on where the table goes on.
    rows[0].tabIndex = -1;
    rows[0].focus();
  }

  row({ hz, db, note, cents: off, confidence }) {
    const ink = h("span.strength", { "aria-hidden": "true" });
    ink.style.setProperty("--v", Math.min(1, Math.max(0, 1 + (db - this.top) / DEEPEST)));
    return h("tr", {}, h("th", { scope: "row" }, printed(note)), h("td", {}, cents(off)), h("td", {}, figure(hz, 1)), h("td.level", {}, figure(db, 1), ink), h("td", {}, `${Math.round(100 * confidence)} %`));
  }
}
