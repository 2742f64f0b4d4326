// The one socket: opened again by itself for ever, with longer and longer pauses up to 2 s.

import { state, live } from "./state.js";

const SILENT = 2500; // ms without a meter frame: lost, whatever the system still believes
const OPENING = 6000; // ms for the socket to open

let socket = null;
let opened = false;
let heardAt = 0; // when the socket last gave a sign of life, ms
let generation = 0; // what an older one has begun may not end a newer one
let pause = 250;
let listeners = null;
let timer = 0;
let wantsKey = false;

/** Sends one gesture; returns whether it left. Nothing waits for a network to come back: it would act too late. */
export function send(gesture) {
  if (!live() || socket?.readyState !== WebSocket.OPEN) return false;
  socket.send(JSON.stringify(gesture));
  return true;
}

/** Opens the socket; `on` has `message(object)`, `meters(DataView)`, `change()` and `keyWanted(words)`. */
export function start(on) {
  listeners = on;
  open();
}

/** Another key has been accepted. */
export function renew() {
  pause = 250;
  open();
}

/** The page comes back into sight. */
export function retry() {
  if (!state.connected && !socket) renew();
}

export function established() {
  pause = 250;
  wantsKey = false;
  state.full = 0;
}

/** To be called a few times a second: a network that goes away says nothing. */
export function watch() {
  if (socket && performance.now() - heardAt > (opened ? SILENT : OPENING)) lost();
}

// Of the socket before nothing is heard any more.
function leave() {
  clearTimeout(timer);
  generation += 1;
  if (socket) socket.onopen = socket.onclose = socket.onmessage = null;
  socket?.close();
  socket = null;
  if (state.connected) state.lostAt = state.metersAt;
  state.connected = false;
  listeners.change();
}

function open() {
  leave();
  opened = false;
  heardAt = performance.now();
  const scheme = location.protocol === "https:" ? "wss:" : "ws:";
  socket = new WebSocket(`${scheme}//${location.host}/socket`);
  socket.binaryType = "arraybuffer";
  socket.onopen = () => {
    opened = true;
    heardAt = performance.now();
  };
  socket.onmessage = (event) => {
    if (typeof event.data === "string") return listeners.message(JSON.parse(event.data));
    heardAt = performance.now();
    listeners.meters(new DataView(event.data));
  };
  socket.onclose = lost;
}

async function lost() {
  leave();
  state.lostAt ??= performance.now();
  const mine = generation;
  if (!opened) await askWhy();
  if (mine !== generation) return;
  // Whoever lacks a key asks seldom, so that trying is not taken for guessing.
  timer = setTimeout(open, wantsKey ? 10_000 : pause);
  pause = Math.min(2000, pause * 2);
}

// A browser does not tell why a socket was refused: an answer to a plain question does. HEAD: without the list itself.
async function askWhy() {
  const mine = generation;
  wantsKey = false;
  let full = 0;
  try {
    const { status, headers } = await fetch("/etudes", { method: "HEAD", cache: "no-store", signal: AbortSignal.timeout(4000) });
    if (mine !== generation) return;
    wantsKey = status === 401 || status === 429;
    if (wantsKey) listeners.keyWanted(status === 429 ? `too many wrong keys: wait ${headers.get("Retry-After")} s and try again` : "");
    // Let in, and yet no socket: no place is left. Twice, since the program may just have started.
    else if (status === 200) full = state.full + 1;
  } catch {
    // Nobody there: that is said by the page already.
  }
  state.full = full;
}
