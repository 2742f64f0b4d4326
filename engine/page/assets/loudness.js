// The last 20 s of every mic's loudness, in slots of a tenth of a second, and the clock by which they drift.

import { meters, decibels } from "./meters.js";

export const SECONDS = 20;
export const QUIET = -90;
const SLOTS = 256; // a power of two above 20 s and one more
const RATE = 10;

let values = new Float32Array(0);
let newest = -1;
let oldest = 0;
let mics = 0;
let anchor = 0; // engine's time of the last frame, s
let anchoredAt = 0; // when it came, ms
let shown = 0; // the clock as drawn, s
let shownAt = 0;

const clear = (slot) => {
  values.fill(QUIET);
  newest = slot;
  oldest = slot;
};

/** Another piece: what the mics of the one before did is gone. */
export const forget = () => clear(newest);

export function history(told) {
  mics = told.mics.length;
  values = new Float32Array(mics * SLOTS);
  const length = told.mics.reduce((most, one) => Math.max(most, one.length), 0);
  clear(told.from_slot + length - 1);
  oldest = told.from_slot;
  told.mics.forEach((slots, mic) =>
    slots.forEach((db, index) => {
      values[mic * SLOTS + ((told.from_slot + index) & (SLOTS - 1))] = db;
    }),
  );
}

export function frame(rate) {
  const time = meters.sample / rate;
  const slot = Math.floor(time * RATE);
  if (mics !== meters.mics) {
    mics = meters.mics;
    values = new Float32Array(mics * SLOTS);
    clear(slot);
  }
  if (slot < newest - RATE || slot > newest + SLOTS) clear(slot); // a new run, or a long gap
  while (newest < slot) {
    newest += 1;
    for (let mic = 0; mic < mics; mic++) values[mic * SLOTS + (newest & (SLOTS - 1))] = QUIET;
  }
  for (let mic = 0; mic < mics; mic++) {
    const at = mic * SLOTS + (slot & (SLOTS - 1));
    values[at] = Math.max(values[at], decibels(meters.rms[mic]));
  }
  anchor = time;
  anchoredAt = performance.now();
}

export const loudness = (mic, slot) => (slot < oldest || slot > newest ? QUIET : values[mic * SLOTS + (slot & (SLOTS - 1))]);

/** The engine's time for drawing, s: it runs on between frames, and stands when no frame comes. */
export function clock(at) {
  const told = anchor + Math.min(0.15, (at - anchoredAt) / 1000);
  const next = shown + Math.min(0.1, (at - shownAt) / 1000);
  shownAt = at;
  shown = Math.abs(told - next) > 0.5 ? told : Math.min(next + (told - next) * 0.1, Math.max(told, shown));
  return shown;
}
