// Firing, going back, choosing a mark, hush: always at the same place.

import { at, h, text, show, disable, attribute } from "./dom.js";
import { state, ready, scene, isDesk } from "./state.js";
import { send } from "./connection.js";
import { place } from "./head.js";

const PAUSE = 400; // ms in which a second press means nothing
const STAYS = 600; // ms in which nothing releases a hush: a double tap is no release

let firedAt = -Infinity;
let hushedAt = -Infinity;
let chosen = null; // a mark
let openedIn = 0;
let openedFor = null;
const view = () => document.body.dataset.view;

function go(target) {
  if (!target || !isDesk() || performance.now() - firedAt < PAUSE) return false;
  // `in` says from where: the server takes only one of two presses, whatever this page believes.
  const sent = send({ do: "fire", mark: target.mark, in: scene().mark });
  if (sent) firedAt = performance.now();
  return sent;
}

export const next = () => ready() && go(state.piece.scenes[state.now.scene + 1]);
export const back = () => ready() && go(state.piece.scenes[state.now.scene - 1]);

/** Hushes at once; releases when it is hushed, though not by the second tap of a double one. */
export function hush() {
  if (!ready() || !isDesk()) return;
  const on = !state.now.hushed;
  if (!on && performance.now() - hushedAt < STAYS) return;
  if (send({ do: "hush", on }) && on) hushedAt = performance.now();
}

/** Escape: away with the list of marks, and hush; with the list open it releases nothing. */
export function escape() {
  const open = at("marks").open;
  leave();
  if (!open || !state.now.hushed) hush();
}

const firing = () => view() === "score" || view() === "cue";

export const playing = () => firing() && !at("marks").open;

export function leave() {
  if (at("marks").open) at("marks").close();
}

export function choose() {
  if (!isDesk() || !ready() || at("marks").open) return leave();
  chosen = null;
  openedIn = state.now.scene;
  write();
  // Not modal: hush stays within reach.
  at("marks").show();
  update();
}

function write() {
  openedFor = state.piece;
  const list = h("div.list", { role: "radiogroup", "aria-labelledby": "marks-title" });
  const confirm = h("button", { type: "button", id: "confirm" });
  state.piece.scenes.forEach((one, index) => {
    const here = index === state.now.scene;
    const radio = h("input", { type: "radio", name: "chosen-mark", value: one.mark, checked: one.mark === chosen });
    radio.addEventListener("change", () => {
      chosen = one.mark;
      update();
    });
    const [bar, cue] = place(one);
    list.append(h("label", { "data-here": here }, radio, h("span.mark.small", {}, one.mark), h("span.where", {}, h("span.name", {}, one.name ?? ""), h("span.place", {}, `${bar} ${here ? "(now)" : ""} ${cue}`))));
  });
  confirm.addEventListener("click", () => {
    if (go(state.piece.scenes.find((one) => one.mark === chosen))) leave();
  });
  const without = h("button.plain", { type: "button", onclick: leave }, "Leave it");
  at("marks").replaceChildren(h("h2", { id: "marks-title" }, "Choose a mark"), list, h("div.buttons", {}, without, confirm));
}

export function start() {
  const button = (id, press) => {
    const element = h("button", { type: "button", id });
    element.addEventListener("click", () => {
      press();
      // A page-turn pedal sends Enter, Space or arrows to whatever has the focus: so nothing here keeps it.
      element.blur();
    });
    return element;
  };
  at("actions").append(button("back", back), button("choose", choose), button("fire", next), button("hush", hush));
}

export function update() {
  const desk = state.piece?.role === "desk";
  show(at("actions"), ready() && desk && document.body.dataset.entering !== "true");
  if (!ready() || !desk) return leave();
  const { piece, now } = state;
  const able = isDesk();
  const on = piece.scenes[now.scene + 1];
  const before = piece.scenes[now.scene - 1];
  const say = (id, words, may) => {
    text(at(id), words);
    disable(at(id), !able || !may);
  };
  say("fire", on ? `Fire ${on.mark}` : "Last scene", on);
  say("back", before ? `Back to ${before.mark}` : "First scene", before);
  say("choose", "Choose a mark", true);
  say("hush", now.hushed ? "Release hush" : "Hush", true);
  attribute(at("hush"), "data-hushed", now.hushed);
  for (const id of ["fire", "back", "choose"]) show(at(id), firing());
  if (!at("marks").open) return;
  if (!state.connected || now.scene !== openedIn || !firing()) return leave();
  if (piece !== openedFor) write();
  const known = piece.scenes.some((one) => one.mark === chosen);
  say("confirm", known ? `Fire ${chosen}` : "Choose a mark first", known);
}
