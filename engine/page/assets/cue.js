// The player's phone: the mark, the cue, what comes, their own effect and whether their pedal is live.

import { h, text, show, attribute } from "./dom.js";
import { state, ready, scene, leverOf, part, choosePart } from "./state.js";
import { send } from "./connection.js";
import { place } from "./head.js";
import { Effect } from "./score.js";

export class Cue {
  constructor(section) {
    this.hushed = h("p", { class: "hushed-word", hidden: true }, "Hushed");
    this.mark = h("p", { class: "mark huge" });
    this.name = h("p", { class: "name" });
    this.place = h("p", { class: "place" });
    this.own = h("div", { class: "own" });
    this.live = h("p", { class: "live", role: "status" });
    this.next = h("p", { class: "coming" });
    this.who = h("select", { id: "part" });
    this.who.addEventListener("change", () => {
      choosePart(this.who.value || null);
      tell();
      this.drawn = null;
      this.update();
    });
    this.effect = null;
    this.drawn = null;
    section.append(
      h("h1", { id: "cue-title", class: "unseen" }, "Cue"),
      h("div", { class: "now" }, this.mark, h("div", {}, this.hushed, this.name, this.place)),
      this.next,
      this.live,
      this.own,
      h("p", { class: "whose" }, h("label", { for: "part" }, "This phone belongs to "), this.who),
    );
  }

  update() {
    if (!ready()) return;
    const { piece, now } = state;
    const here = scene();
    text(this.mark, here.mark);
    text(this.name, here.name ?? "");
    text(this.place, place(here).filter(Boolean).join(", "));
    show(this.hushed, now.hushed);
    const next = piece.scenes[now.scene + 1];
    text(this.next, next ? `Then ${next.mark}${next.name ? `, ${next.name}` : ""}: ${place(next).filter(Boolean).join(", ")}` : "Nothing comes after this scene.");
    this.names(piece);
    const mine = part();
    const key = `${now.scene} ${mine}`;
    if (this.drawn !== key || this.drawnFor !== piece) {
      this.drawn = key;
      this.drawnFor = piece;
      this.build(mine);
    }
    this.effect?.update();
    text(this.live, this.sentence(mine));
    attribute(this.live, "data-state", this.effect ? (now.hushed ? "waits" : now.effects[this.effect.index]) : "out");
  }

  names(piece) {
    if (this.namedFor === piece) return;
    this.namedFor = piece;
    this.who.replaceChildren(h("option", { value: "" }, "nobody yet"), ...piece.mics.map((mic) => h("option", { value: mic.name }, mic.name)));
    this.who.value = part() >= 0 ? state.part : "";
  }

  build(mine) {
    this.effect = null;
    const lever = mine >= 0 ? leverOf(mine) : null;
    if (lever !== null) {
      const found = scene().effects.find(({ effect }) => state.piece.effects[effect].controller === lever);
      if (found) this.effect = new Effect(found.effect, state.piece.effects[found.effect].owner);
    }
    this.others = mine < 0 ? [] : scene().effects.map(({ effect }) => effect).filter((effect) => state.piece.effects[effect].mics.includes(mine) && effect !== this.effect?.index);
    this.own.replaceChildren(...(this.effect ? [this.effect.element] : []));
  }

  sentence(mine) {
    const { piece, now } = state;
    if (mine < 0) return "Choose below whose phone this is.";
    const also = this.others.length > 0 ? ` Also on your mic: ${this.others.map((effect) => piece.effects[effect].key).join(", ")}.` : "";
    if (!this.effect) return `Nothing for your foot or hand in this scene.${also}`;
    const it = piece.effects[this.effect.index];
    const by = piece.controllers[it.controller].name;
    if (now.hushed) return `Hushed: ${by} does nothing just now.${also}`;
    const said = {
      on: `Your ${it.key} sounds: ${by} is live.`,
      waits: `Bring ${by} to rest first: then it is live.`,
      ready: `Your ${it.key} is ready: ${by} is live.`,
      out: `Your ${it.key} is not in this scene.`,
    };
    return said[now.effects[this.effect.index]] + also;
  }
}

/** Tells the server whose phone this is; again after every connection. */
export function tell() {
  if (state.piece?.role !== "player") return;
  const known = part() >= 0;
  send({ do: "part", mic: known ? state.part : null });
}
