// Firing, going back, choosing a mark, hush: always at the same place.

import { h, text, show, disable, attribute } from "./dom.js";
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
const at = (id) => document.getElementById(id);
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

/** Whether the scenes may be fired from where the page is now. */
export const playing = () => firing() && !at("marks").open;

/** Closes the list of marks. */
export function leave() {
  if (at("marks").open) at("marks").close();
}

/** Opens the list of marks. */
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
  const list = h("div", { class: "list", role: "radiogroup", "aria-labelledby": "marks-title" });
  const confirm = h("button", { type: "button", id: "confirm" });
  state.piece.scenes.forEach((one, index) => {
    const here = index === state.now.scene;
    const radio = h("input", { type: "radio", name: "chosen-mark", value: one.mark, checked: one.mark === chosen });
    radio.addEventListener("change", () => {
      chosen = one.mark;
      update();
    });
    const [bar, cue] = place(one);
    list.append(h("label", { "data-here": here }, radio, h("span", { class: "mark small" }, one.mark), h("span", { class: "where" }, h("span", { class: "name" }, one.name ?? ""), h("span", { class: "place" }, `${bar} ${here ? "(now)" : ""} ${cue}`))));
  });
  confirm.addEventListener("click", () => {
    if (go(state.piece.scenes.find((one) => one.mark === chosen))) leave();
  });
  const without = h("button", { type: "button", class: "plain", onclick: leave }, "Leave it");
  at("marks").replaceChildren(h("h2", { id: "marks-title" }, "Choose a mark"), list, h("div", { class: "buttons" }, without, confirm));
}

/** Makes the buttons. */
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
  text(at("choose"), "Choose a mark");
}

/** Labels and shows them as the state says. */
export function update() {
  const desk = state.piece?.role === "desk";
  show(at("actions"), ready() && desk && document.body.dataset.entering !== "true");
  if (!ready() || !desk) {
    leave();
    return;
  }
  const { piece, now } = state;
  const able = isDesk();
  const on = piece.scenes[now.scene + 1];
  const before = piece.scenes[now.scene - 1];
  text(at("fire"), on ? `Fire ${on.mark}` : "Last scene");
  disable(at("fire"), !able || !on);
  text(at("back"), before ? `Back to ${before.mark}` : "First scene");
  disable(at("back"), !able || !before);
  disable(at("choose"), !able);
  text(at("hush"), now.hushed ? "Release hush" : "Hush");
  disable(at("hush"), !able);
  attribute(at("hush"), "data-hushed", now.hushed);
  for (const id of ["fire", "back", "choose"]) show(at(id), firing());
  if (!at("marks").open) return;
  if (!state.connected || now.scene !== openedIn || !firing()) return leave();
  if (piece !== openedFor) write();
  const known = piece.scenes.some((one) => one.mark === chosen);
  text(at("confirm"), known ? `Fire ${chosen}` : "Choose a mark first");
  disable(at("confirm"), !able || !known);
}
