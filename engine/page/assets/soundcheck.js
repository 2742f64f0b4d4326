// The hall's hour: every mic and output with its figures and a plain verdict, legible from two metres.

import { h, text, attribute, disable, show } from "./dom.js";
import { state, isDesk } from "./state.js";
import { send } from "./connection.js";
import * as words from "./words.js";
import { Invitations } from "./invitations.js";
import { Machine } from "./machine.js";
import { Controllers } from "./controllers.js";
import { meters, decibels, inWords, limited, VERDICTS } from "./meters.js";

const BOTTOM = -60;
const SCALE = [-60, -40, -30, -20, -18, -12, -9, -6, -3, 0];
const NUMBERED = new Set([-60, -40, -30, -20, -12, -6, 0]);
const SPOKEN = 200; // ms between two writings of numbers
const SIGNS = ["–", "▽", "✓", "△", "✕"];

const place = (db) => Math.min(1, Math.max(0, (db - BOTTOM) / -BOTTOM));

class Row {
  /** `where`: the channel, or null if the hall leaves it out: then there is nothing to measure. */
  constructor(name, where, isOutput, note) {
    this.out = where === null;
    this.bar = h("span.rms");
    this.held = h("span.held");
    this.floorMark = h("span.floor");
    const scale = SCALE.map((db) => {
      const mark = h("span.grade", {}, NUMBERED.has(db) ? String(db).replace("-", "−") : "");
      mark.style.left = `${place(db) * 100}%`;
      return mark;
    });
    this.meter = h(
      "div.meter",
      { role: "meter", "aria-label": `${name}, RMS in dB full scale`, "aria-valuemin": BOTTOM, "aria-valuemax": 0, "aria-valuenow": BOTTOM },
      h("span.bars", {}, this.bar, this.floorMark, this.held),
      h("span.scale", { "aria-hidden": "true" }, ...scale),
    );
    this.figures = {};
    const figure = (label) => h("div", {}, h("dt", {}, label), (this.figures[label] = h("dd.figures")));
    this.sign = h("span.sign", { "aria-hidden": "true" });
    this.word = h("span", {}, this.out ? "left out" : "");
    this.verdict = h("p.verdict", { "data-verdict": this.out ? "left out" : "nothing" }, this.sign, this.word);
    this.heard = h("p.heard");
    this.limiter = h("p.limiter");
    this.isOutput = isOutput;
    this.element = h(
      "div.check",
      { role: "group", "aria-label": name, [isOutput ? "data-output" : "data-mic"]: name },
      h("p.who", {}, h("span.instrument", {}, name), h("span.input", {}, this.out ? "" : `${isOutput ? "out" : "in"} ${where}`), h("span.out", {}, note)),
      this.verdict,
      this.heard,
      this.out ? null : this.meter,
      this.out ? null : h("dl", {}, ...["peak", "RMS", "floor", "crest", "clips"].map(figure)),
      isOutput ? this.limiter : null,
    );
  }

  draw(channel) {
    this.bar.style.transform = `scaleX(${place(decibels(meters.rms[channel])).toFixed(4)})`;
    this.held.style.left = `${(place(decibels(meters.held[channel])) * 100).toFixed(2)}%`;
    const floor = meters.floor[channel];
    show(this.floorMark, floor > 0);
    if (floor > 0) this.floorMark.style.left = `${(place(decibels(floor)) * 100).toFixed(2)}%`;
  }

  say(channel) {
    const verdict = meters.verdict[channel];
    const rms = decibels(meters.rms[channel]);
    attribute(this.meter, "aria-valuenow", Math.round(Math.min(0, Math.max(BOTTOM, rms))));
    attribute(this.meter, "aria-valuetext", `${inWords(rms)} dB`);
    text(this.figures.peak, inWords(decibels(meters.held[channel])));
    text(this.figures.RMS, inWords(rms));
    const floor = meters.floor[channel];
    text(this.figures.floor, Number.isNaN(floor) ? "…" : inWords(decibels(floor)));
    const crest = meters.crest[channel];
    text(this.figures.crest, Number.isNaN(crest) ? "…" : crest.toFixed(0));
    text(this.figures.clips, String(meters.clips[channel]));
    this.figures.clips.classList.toggle("some", meters.clips[channel] > 0);
    const word = VERDICTS[verdict] ?? VERDICTS[0];
    attribute(this.verdict, "data-verdict", word);
    text(this.sign, SIGNS[verdict] ?? SIGNS[0]);
    text(this.word, word);
    const heard = (meters.flags[channel] & 1) !== 0;
    text(this.heard, heard ? "✓ heard" : "not heard yet");
    this.heard.classList.toggle("yes", heard);
    if (this.isOutput) text(this.limiter, limited(meters.reduction[channel]));
  }
}

export class Soundcheck {
  constructor(section) {
    this.rows = [];
    this.drawnFor = null;
    this.saidAt = 0;
    this.count = h("p.count", { id: "heard-count" }, "");
    this.reset = h("button", { type: "button", id: "reset" }, "Start again");
    this.reset.addEventListener("click", () => send({ do: "reset" }));
    this.words = words.list(null);
    this.mics = h("div.checks");
    this.outs = h("div.checks");
    this.machine = new Machine();
    this.invitations = new Invitations();
    this.controllers = new Controllers();
    section.append(
      h("div.line-up", {}, h("h1", { id: "soundcheck-title" }, "Soundcheck"), this.count, this.reset),
      this.words,
      this.mics,
      h("h2", {}, "To the loudspeakers"),
      this.outs,
      this.controllers.element,
      this.machine.element,
      this.invitations.element,
      h("p.legend", {}, "All in dB below full scale. Bar: RMS over 300 ms. Tick: peak, held 2 s. Diamond: noise floor. Crest: held peak over RMS, in dB."),
    );
  }

  update() {
    const { piece } = state;
    if (!piece) return;
    if (this.drawnFor !== piece) {
      this.drawnFor = piece;
      const mics = piece.mics.map((mic) => new Row(mic.name, mic.input, false, ""));
      const outs = piece.outputs.map((output) => new Row(output.name, output.channel, true, output.private ? "private" : ""));
      this.rows = [...mics, ...outs];
      this.mics.replaceChildren(...mics.map((row) => row.element));
      this.outs.replaceChildren(...outs.map((row) => row.element));
      this.mics.classList.toggle("two", mics.length > 4);
      this.outs.classList.toggle("two", outs.length > 1);
      this.saidAt = 0;
    }
    words.fill(this.words);
    this.controllers.update();
    show(this.reset, piece.role === "desk");
    disable(this.reset, !isDesk());
    this.machine.update();
    this.invitations.update();
  }

  metered() {
    if (!state.piece || this.rows.length !== meters.peak.length) return;
    const at = performance.now();
    const speak = at - this.saidAt >= SPOKEN;
    if (speak) this.saidAt = at;
    let heard = 0;
    let mics = 0;
    for (let channel = 0; channel < this.rows.length; channel++) {
      if (this.rows[channel].out) continue;
      this.rows[channel].draw(channel);
      if (speak) this.rows[channel].say(channel);
      if (channel >= meters.mics) continue;
      mics += 1;
      heard += meters.flags[channel] & 1;
    }
    if (speak) text(this.count, `${heard} of ${mics} heard`);
  }
}
