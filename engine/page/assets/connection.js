// The one socket: opened again by itself for ever, with longer and longer pauses up to 2 s.

import { state } from "./state.js";

let socket = null;
let pause = 250;
let listeners = null;
let timer = 0;
let wantsKey = false;

/** Sends one gesture; returns whether it left. */
export function send(gesture) {
  if (!state.connected || socket?.readyState !== WebSocket.OPEN) return false;
  socket.send(JSON.stringify(gesture));
  return true;
}

/** Opens the socket; `on` has `message(object)`, `meters(DataView)`, `change()` and `keyWanted()`. */
export function start(on) {
  listeners = on;
  open();
}

/** Tries at once: after a key has been accepted, or when the page comes back into sight. */
export function retry() {
  if (state.connected) return;
  clearTimeout(timer);
  pause = 250;
  if (socket?.readyState !== WebSocket.CONNECTING) open();
}

/** Called when the first state has come. */
export function established() {
  pause = 250;
  wantsKey = false;
}

function open() {
  clearTimeout(timer);
  if (socket) socket.onopen = socket.onclose = socket.onmessage = null;
  socket?.close();
  let opened = false;
  const scheme = location.protocol === "https:" ? "wss:" : "ws:";
  socket = new WebSocket(`${scheme}//${location.host}/socket`);
  socket.binaryType = "arraybuffer";
  socket.onopen = () => {
    opened = true;
  };
  socket.onmessage = (event) => {
    if (typeof event.data !== "string") listeners.meters(new DataView(event.data));
    else listeners.message(JSON.parse(event.data));
  };
  socket.onclose = () => lost(opened);
}

async function lost(opened) {
  if (state.connected || state.lostAt === null) state.lostAt = performance.now();
  state.connected = false;
  listeners.change();
  if (!opened) await askWhetherKeyIsWanted();
  // Whoever lacks a key asks seldom, so that trying is not taken for guessing.
  timer = setTimeout(open, wantsKey ? 10_000 : pause);
  pause = Math.min(2000, pause * 2);
}

// A browser does not tell why a socket was refused: an answer to a plain question does.
async function askWhetherKeyIsWanted() {
  try {
    wantsKey = false;
    for (const address of ["/etudes", "/socket"]) {
      const answer = await fetch(address, { cache: "no-store", signal: AbortSignal.timeout(4000) });
      if (answer.status !== 401 && answer.status !== 429) continue;
      wantsKey = true;
      const told = answer.status === 429 ? await answer.json().catch(() => null) : null;
      return listeners.keyWanted(told?.error);
    }
  } catch {
    // Nobody there: that is said by the page already.
  }
}
