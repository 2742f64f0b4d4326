// The picture of a sound, and the moment that lies on it as a band to be moved: by mouse, finger or slider.

import { h, text, attribute } from "./dom.js";
import { refusal, seconds, span, LOST } from "./asking.js";

const LEAST = 0.05; // s, the shortest moment
const EDGE = 16; // CSS pixels about an edge that take hold of it
const TAP = 4; // CSS pixels that a tap may move

const still = matchMedia("(prefers-reduced-motion: reduce)");
const round = (time) => Math.round(time * 100) / 100;

export class Picture {
  /** `choose(moment, settled)`: another moment, and whether the hand has come to rest. `element` is the picture,
   * `moments` says and moves the moment. */
  constructor(choose) {
    this.choose = choose;
    this.study = null;
    this.moment = null;
    this.drag = null;
    this.image = h("img", { alt: "", draggable: "false" });
    this.image.addEventListener("error", () => this.why());
    this.image.addEventListener("load", () => text(this.trouble, ""));
    this.band = h("span.band", {}, h("span.grip"), h("span.grip"));
    this.now = h("span.playhead", { hidden: true });
    this.field = h("span.field", { "aria-hidden": "true" }, this.band, this.now);
    this.frame = h("div.frame", {}, this.image, this.field);
    this.scroller = h("div.picture", { tabindex: "0", role: "group" }, this.frame);
    this.trouble = h("p.trouble", { role: "alert" });
    this.said = h("p.span.figures", { id: "moment" });
    this.from = this.slider("Begins at", "moment-from", (time) => ({ from: Math.min(time, this.study.seconds - LEAST), to: Math.max(this.moment.to, time + LEAST) }));
    this.to = this.slider("Ends at", "moment-to", (time) => ({ from: Math.min(this.moment.from, time - LEAST), to: Math.max(time, LEAST) }));
    this.steady = h("div.steady", { role: "group", "aria-label": "Steady moments" });
    this.element = h("div.looking", {}, this.scroller, this.trouble);
    this.moments = h("section.moments", { "aria-labelledby": "moment-title" }, h("h3", { id: "moment-title" }, "The moment"), this.said, h("p.small", {}, "Tap or drag on the picture, or set it here:"), this.from.element, this.to.element, this.steady);
    this.hold();
  }

  slider(label, id, moment) {
    const input = h("input", { type: "range", id, min: 0, step: 0.01, autocomplete: "off" });
    input.addEventListener("input", () => this.choose(this.within(moment(Number(input.value))), true));
    return { input, element: h("div.slider", {}, h("label", { for: id }, label), input) };
  }

  open(study) {
    this.study = study;
    const { id, name, picture } = study;
    for (const side of ["width", "height"]) this.image.setAttribute(side, picture[side]);
    this.frame.style.setProperty("--ratio", picture.width / picture.height);
    attribute(this.image, "alt", `${name}: its partials as strokes over time, on staves`);
    attribute(this.scroller, "aria-label", `Picture of ${name}`);
    text(this.trouble, "");
    this.image.src = `/study/${id}/picture.svg`;
    const place = (property, part, whole) => this.frame.style.setProperty(property, part / whole);
    place("--left", picture.left, picture.width);
    place("--right", picture.width - picture.right, picture.width);
    place("--top", picture.top, picture.height);
    place("--bottom", picture.height - picture.bottom, picture.height);
    for (const { input } of [this.from, this.to]) attribute(input, "max", study.seconds.toFixed(2));
    this.buttons = study.steady.map(([from, to]) => ({ from, to, button: h("button", { type: "button", onclick: () => this.goTo({ from, to }) }, `${from.toFixed(1)}–${to.toFixed(1)} s`) }));
    this.steady.replaceChildren(...(this.buttons.length > 0 ? [h("span", {}, "Steady:"), ...this.buttons.map((one) => one.button)] : []));
    this.playing(null);
  }

  goTo(moment) {
    this.choose(moment, true);
    this.bring();
  }

  /** Brings the moment into sight, where the picture is wider than its place. */
  bring() {
    const { moment } = this;
    const middle = ((moment.from + moment.to) / 2 / this.study.seconds) * this.field.clientWidth + this.field.offsetLeft;
    this.scroller.scrollTo({ left: middle - this.scroller.clientWidth / 2, behavior: still.matches ? "auto" : "smooth" });
  }

  /** A moment that lies within the sound and is long enough. */
  within({ from, to }) {
    const end = this.study.seconds;
    const length = Math.min(end, Math.max(LEAST, to - from));
    const begin = Math.min(Math.max(0, from), end - length);
    return { from: round(begin), to: Math.min(round(begin + length), end) };
  }

  show(moment) {
    this.moment = moment;
    const { seconds: whole } = this.study;
    this.field.style.setProperty("--from", moment.from / whole);
    this.field.style.setProperty("--to", moment.to / whole);
    text(this.said, span(moment));
    for (const [{ input }, time] of [[this.from, moment.from], [this.to, moment.to]]) {
      if (Number(input.value) !== time) input.value = time;
      attribute(input, "aria-valuetext", seconds(time));
    }
    for (const { from, to, button } of this.buttons) attribute(button, "aria-pressed", from === moment.from && to === moment.to);
  }

  /** Where the sound is that is being heard; null: it is silent. */
  playing(time) {
    this.now.hidden = time === null;
    if (time !== null) this.field.style.setProperty("--now", Math.min(1, time / this.study.seconds));
  }

  hold() {
    const { field } = this;
    const at = (event) => {
      const { left, width } = field.getBoundingClientRect();
      return { x: event.clientX - left, width, time: ((event.clientX - left) / width) * this.study.seconds };
    };
    field.addEventListener("pointerdown", (event) => {
      if (event.button !== 0 || !this.study || this.drag) return;
      const { x, width, time } = at(event);
      const [left, right] = [this.moment.from, this.moment.to].map((edge) => (edge / this.study.seconds) * width);
      // However narrow, its middle moves the whole band.
      const inner = Math.min(EDGE, (right - left) / 3);
      const kind = x < left - EDGE || x > right + EDGE ? "new" : x < left + inner ? "from" : x > right - inner ? "to" : "both";
      this.drag = { kind, id: event.pointerId, x: event.clientX, time, before: this.moment, moved: false };
      field.setPointerCapture(event.pointerId);
    });
    field.addEventListener("pointermove", (event) => {
      const { drag } = this;
      if (drag?.id !== event.pointerId) return;
      drag.moved ||= Math.abs(event.clientX - drag.x) > TAP;
      if (drag.moved) this.choose(this.dragged(drag, at(event).time), false);
    });
    const end = (event, taken) => {
      const { drag } = this;
      if (drag?.id !== event.pointerId) return;
      this.drag = null;
      if (!taken) return this.choose(drag.before, false);
      const half = (drag.before.to - drag.before.from) / 2;
      // A tap beside the band brings it there, as long as it was.
      if (drag.moved) this.choose(this.moment, true);
      else if (drag.kind === "new") this.choose(this.within({ from: drag.time - half, to: drag.time + half }), true);
    };
    field.addEventListener("pointerup", (event) => end(event, true));
    // The browser takes the finger for scrolling: then nothing was meant.
    field.addEventListener("pointercancel", (event) => end(event, false));
  }

  dragged({ kind, time: begun, before }, time) {
    const { from, to } = before;
    const end = this.study.seconds;
    const here = Math.min(end, Math.max(0, time));
    if (kind === "both") return this.within({ from: from + time - begun, to: to + time - begun });
    // Past the other edge they change places.
    const other = kind === "from" ? to : kind === "to" ? from : Math.min(end, Math.max(0, begun));
    return this.within({ from: Math.min(here, other), to: Math.max(here, other) });
  }

  // The image does not tell what the server said: ask again, plainly.
  async why() {
    try {
      const answer = await fetch(this.image.src);
      text(this.trouble, `no picture: ${answer.ok ? "this browser cannot show it." : await refusal(answer)}`);
    } catch {
      text(this.trouble, `no picture: ${LOST}`);
    }
  }
}
