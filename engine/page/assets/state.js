// What the server last said, whole. Everything on the page is drawn from here and nothing is guessed.

import { kept, keep } from "./theme.js";

const PART = "tenterhook-part";
const STALE = 1000; // ms without a meter frame: what is seen may be old

export const state = {
  piece: null,
  now: null,
  /** Whether the socket stands and has told the state, and meters, since. */
  connected: false,
  /** When the connection was lost (ms of performance.now), or null. */
  lostAt: null,
  /** When the last meter frame came (ms of performance.now). */
  metersAt: 0,
  /** How many times in a row the server let this page in and yet gave it no socket. */
  full: 0,
  /** Name of the mic whose player holds this phone, or null. */
  part: kept(PART),
};

export function choosePart(name) {
  state.part = name;
  keep(PART, name);
}

export const ready = () => state.piece !== null && state.now !== null;

export const scene = () => state.piece.scenes[state.now.scene];

/** Whether what is seen is true just now; only then is anything sent. */
export const live = () => state.connected && performance.now() - state.metersAt <= STALE;

export const isDesk = () => live() && state.piece?.role === "desk";

export const part = () => state.piece.mics.findIndex((mic) => mic.name === state.part);

/** The index of the controller that is the one lever of `mic` in the scene in force, or null. */
export const leverOf = (mic) => state.piece.levers[state.now.scene]?.[mic] ?? null;

/** Whether this page may move the controller with this index. */
export function mayMove(controller) {
  const it = state.piece.controllers[controller];
  if (!live() || !it || it.kind === "loudness") return false;
  if (state.piece.role === "desk") return true;
  return state.piece.role === "player" && part() >= 0 && leverOf(part()) === controller;
}

/** A controller with the engine's value in words. */
export function valueInWords(controller, value) {
  if (state.piece.controllers[controller].kind === "switch") return value > 0 ? "down" : "up";
  return value <= 0 ? "0, at rest" : value.toFixed(2);
}

/** What an effect does just now, in words. */
export function standing(effect) {
  const it = state.piece.effects[effect];
  const by = state.piece.controllers[it.controller]?.name ?? "it";
  const how = it.controller === null ? ", with the scene" : "";
  const why = state.now.whys[effect];
  const said = {
    broken: `${why}, and is silent`,
    on: `sounds${how}`,
    ready: `at rest${how}`,
    waits: `${why}: bring ${by} to rest first`,
    moves: `${why}: move ${by} a little, or bring it to rest`,
  };
  return said[state.now.effects[effect]] ?? why ?? "not in this scene";
}

/** The state in which an effect is drawn: hushed it waits, and what lacks something still sounds. */
export const drawn = (stands) => ({ hushed: "waits", nothing: "on", full: "on" })[stands] ?? stands;
