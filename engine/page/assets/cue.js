// The player's phone: the mark, the cue, what comes, their own effect and whether their pedal is live.

import { h, text, show, arrange, attribute } from "./dom.js";
import { state, drawn, ready, scene, leverOf, part, choosePart } from "./state.js";
import { send } from "./connection.js";
import { Effects } from "./effect.js";
import { place, writeMark } from "./head.js";

export class Cue {
  constructor(section) {
    this.hushed = h("p.hushed-word", { hidden: true }, "Hushed");
    this.mark = h("p.mark.huge");
    this.name = h("p.name");
    this.place = h("p.place");
    this.own = h("div.own");
    this.live = h("p.live", { role: "status" });
    this.next = h("p.coming");
    this.who = h("select", { id: "part" });
    this.who.addEventListener("change", () => {
      choosePart(this.who.value || null);
      tell();
      this.update();
    });
    this.effects = new Effects(this.own, () => this.update());
    section.append(
      h("h1.unseen", { id: "cue-title" }, "Cue"),
      h("div.now", {}, this.mark, h("div", {}, this.hushed, this.name, this.place)),
      this.next,
      this.live,
      this.own,
      h("p.whose", {}, h("label", { for: "part" }, "This phone belongs to "), this.who),
    );
  }

  update() {
    if (!ready()) return;
    const { piece, now } = state;
    const here = scene();
    writeMark(this.mark, here.mark);
    text(this.name, here.name ?? "");
    text(this.place, place(here).filter(Boolean).join(", "));
    show(this.hushed, now.hushed);
    const next = piece.scenes[now.scene + 1];
    text(this.next, next ? `Then ${next.mark}${next.name ? `, ${next.name}` : ""}: ${place(next).filter(Boolean).join(", ")}` : "Nothing comes after this scene.");
    this.names(piece);
    const mine = part();
    const lever = mine < 0 ? null : leverOf(mine);
    const present = here.effects.map(({ effect }) => effect);
    const own = lever === null ? undefined : present.find((effect) => piece.effects[effect].controller === lever);
    if (this.effects.change(own === undefined ? [] : [own])) arrange(this.own, this.effects.shown.map((effect) => effect.element));
    for (const effect of this.effects.shown) effect.update();
    text(this.live, this.sentence(mine, own, present));
    attribute(this.live, "data-state", own === undefined ? "out" : drawn(now.effects[own]));
  }

  names(piece) {
    if (this.namedFor === piece) return;
    this.namedFor = piece;
    this.who.replaceChildren(h("option", { value: "" }, "nobody yet"), ...piece.mics.map((mic) => h("option", { value: mic.name }, mic.name)));
    this.who.value = part() >= 0 ? state.part : "";
  }

  sentence(mine, own, present) {
    const { piece, now } = state;
    if (mine < 0) return "Choose below whose phone this is.";
    const others = present.filter((effect) => effect !== own && piece.effects[effect].mics.includes(mine));
    const also = others.length > 0 ? ` Also on your mic: ${others.map((effect) => piece.effects[effect].key).join(", ")}.` : "";
    if (own === undefined) return `Nothing for your foot or hand in this scene.${also}`;
    const it = piece.effects[own];
    const by = piece.controllers[it.controller].name;
    if (now.hushed) return `Hushed: ${by} does nothing just now.${also}`;
    const said = {
      broken: `Your ${it.key} ${now.whys[own]}, and is silent: the desk knows why.`,
      on: `Your ${it.key} sounds: ${by} is live.`,
      nothing: `Your ${it.key}: ${now.whys[own]}. ${by} is live.`,
      full: `Your ${it.key}: ${now.whys[own]}. ${by} is live.`,
      waits: `Bring ${by} to rest first: then it is live.`,
      moves: `Move ${by} a little, or bring it to rest: then it is live.`,
      ready: `Your ${it.key} is ready: ${by} is live.`,
      out: `Your ${it.key} is not in this scene.`,
    };
    return said[now.effects[own]] + also;
  }
}

/** Tells the server whose phone this is; again after every connection. */
export function tell() {
  if (state.piece?.role !== "player") return;
  const known = part() >= 0;
  send({ do: "part", mic: known ? state.part : null });
}
