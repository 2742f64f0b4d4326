// The lowest staves: what goes to the loudspeakers, its level, its peak, and the limiter's words.

import { h, text } from "./dom.js";
import { state, isDesk } from "./state.js";
import { send } from "./connection.js";
import { Lever } from "./lever.js";
import { meters, decibels, inWords, limited } from "./meters.js";

const TOP = 12;
const BOTTOM = -60;
const SILENT = -120;
const SPOKEN = 200; // ms between two writings of numbers

const said = (db) => (db <= SILENT ? "off" : `${db > 0 ? "+" : ""}${db.toFixed(1).replace("-", "−")} dB`);

export class Outputs {
  constructor() {
    this.rows = [];
    this.drawnFor = null;
    this.saidAt = 0;
    this.body = h("div.rows");
    this.element = h("section.outputs", { "aria-labelledby": "outputs-title" }, h("h2", { id: "outputs-title" }, "To the loudspeakers"), this.body);
  }

  row(output) {
    const name = output === null ? "over all" : output.name;
    const level = h("span.level.figures");
    const peak = h("span.peak.figures");
    const limiter = h("span.limiter");
    const row = { db: 0, level, peak, limiter };
    row.lever = new Lever({
      label: `Level, ${name}`,
      min: BOTTOM - 1,
      max: TOP,
      step: 0.5,
      words: () => said(row.db),
      move: (place) => send({ do: "level", output: output?.name ?? null, db: place < BOTTOM ? SILENT : place }),
      data: { "data-level": name },
    });
    const note = output === null ? "" : output.channel === null ? "left out" : output.private ? "private" : "";
    row.element = h(
      "div.output",
      { "data-output": name, role: "group", "aria-label": name },
      h("p.who", {}, h("span.instrument", {}, name), h("span.out", {}, note)),
      row.lever.element,
      h("p.told-words", {}, level, peak, limiter),
    );
    return row;
  }

  update() {
    const { piece, now } = state;
    if (this.drawnFor !== piece) {
      this.drawnFor = piece;
      this.rows = [null, ...piece.outputs].map((output) => this.row(output));
      this.body.replaceChildren(...this.rows.map((row) => row.element));
    }
    this.rows.forEach((row, index) => {
      row.db = index === 0 ? now.level_db : (now.levels_db[index - 1] ?? SILENT);
      row.lever.show(Math.max(BOTTOM - 1, row.db), row.db <= SILENT ? "ready" : "on", isDesk());
      text(row.level, said(row.db));
    });
  }

  metered() {
    const at = performance.now();
    if (at - this.saidAt < SPOKEN) return;
    this.saidAt = at;
    for (let index = 0; index < meters.outputs && index + 1 < this.rows.length; index++) {
      const row = this.rows[index + 1];
      const channel = meters.mics + index;
      text(row.peak, `peak ${inWords(decibels(meters.held[channel]))}`);
      text(row.limiter, limited(meters.reduction[channel]));
    }
  }
}
