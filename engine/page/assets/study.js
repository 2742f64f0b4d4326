// The study: a sound is handed in or taken from a mic, a moment of it chosen, its chord heard and taken along.

import { h, text, show } from "./dom.js";
import { state } from "./state.js";
import { Intake } from "./intake.js";
import { Picture } from "./picture.js";
import { Partials } from "./partials.js";
import { Players } from "./players.js";
import { Taking } from "./taking.js";
import { ask, seconds, span } from "./asking.js";

const PAUSE = 250; // ms of rest before a moved moment is looked into

export class View {
  constructor(section) {
    this.study = null;
    this.moment = null;
    this.later = 0;
    this.asking = null;
    // Shown when its style is there.
    const style = h("link", { rel: "stylesheet", href: "/assets/study.css" });
    for (const end of ["load", "error"]) style.addEventListener(end, () => show(this.body, true));
    document.head.append(style);
    this.intake = new Intake((study) => this.open(study));
    this.name = h("h2", { id: "study-name", tabindex: "-1" });
    this.about = h("p.about-sound");
    this.picture = new Picture((moment, settled) => this.choose(moment, settled));
    this.said = h("p.progress", { role: "status" });
    this.trouble = h("p.trouble", { role: "alert" });
    this.partials = new Partials();
    this.players = new Players(() => this.taking.update());
    this.taking = new Taking(() => this.asked());
    this.taking.follow((time) => this.picture.playing(time));
    this.sheet = h(
      "div.sheet",
      { hidden: true },
      h("div.sound-name", {}, this.name, this.about),
      this.picture.element,
      h("div.right", {}, h("div.side", {}, h("div", {}, this.picture.moments, this.said, this.partials.words, this.trouble), this.players.element, this.taking.hearing), this.taking.along),
      this.partials.element,
    );
    this.before = h("p.before", {}, "You will see its partials as strokes on staves. Choose the moment that you want and who plays, hear the chord, and take the notes along.");
    this.body = h(
      "div.study",
      { hidden: true },
      h("div.line-up", {}, h("h1", { id: "study-title" }, "Study"), h("p.idea", {}, "What is in a sound, and who could play it.")),
      this.intake.element,
      this.before,
      this.sheet,
    );
    section.append(this.body);
  }

  /** The view comes into sight. */
  look() {
    this.intake.mics(state.piece.mics);
  }

  open(study) {
    this.study = study;
    text(this.name, study.name);
    const tempered = study.temperament && study.temperament !== "equal" ? `, ${study.temperament}` : "";
    text(this.about, `${seconds(study.seconds)}, a′ = ${study.tuning_hz} Hz${tempered}`);
    this.partials.clear();
    this.players.open(study);
    this.taking.open(study);
    this.picture.open(study);
    show(this.before, false);
    show(this.sheet, true);
    this.picture.goTo(study.moment);
    this.name.focus({ preventScroll: true });
    this.sheet.scrollIntoView({ block: "start" });
  }

  /** Another moment; looked into once the hand has come to rest. */
  choose(moment, settled) {
    this.moment = moment;
    this.picture.show(moment);
    clearTimeout(this.later);
    if (!settled) return;
    this.taking.update();
    this.later = setTimeout(() => this.fetch(), this.partials.filled ? PAUSE : 0);
  }

  async fetch() {
    this.asking?.abort();
    const mine = new AbortController();
    this.asking = mine;
    const { moment, study } = this;
    text(this.said, `Looking into ${span(moment)} …`);
    text(this.trouble, "");
    this.partials.wait(true);
    const { told, trouble } = await ask(`/study/${study.id}/moment?from=${moment.from}&to=${moment.to}`, { signal: mine.signal });
    // A later moment, or another sound, has taken its place.
    if (this.asking !== mine) return;
    this.asking = null;
    this.partials.wait(false);
    text(this.said, "");
    text(this.trouble, trouble ?? "");
    if (told) this.partials.fill(told);
    else this.partials.clear();
  }

  /** What files are to be made of, as the address says it. */
  asked() {
    const { from, to } = this.moment;
    return new URLSearchParams({ from, to, for: this.players.chosen.join(","), step: this.players.step });
  }
}
