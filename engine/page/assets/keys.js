// Keys. Those of the piece come first, before any element, whatever has the focus; then the page's own.

import { state, ready, isDesk, mayMove } from "./state.js";
import { send } from "./connection.js";
import * as actions from "./actions.js";

/** The keys of the piece that are down: place on the keyboard, and value (which Shift may change meanwhile). */
const down = new Map();
/** Those that came up while nothing could be sent. */
let owed = [];

const place = (event) => event.code || event.key; // some page turners have no code

const writing = (target) => target instanceof HTMLInputElement && (target.type === "text" || target.type === "password");
/** The places of the controllers that have a key. */
const owners = (key) => (state.piece?.controllers ?? []).flatMap((controller, place) => (controller.key === key ? [place] : []));

function stop(event) {
  event.preventDefault();
  event.stopImmediatePropagation();
}

function pressed(event) {
  if (!ready() || writing(event.target) || event.ctrlKey || event.altKey || event.metaKey || event.isComposing) return;
  const controllers = owners(event.key);
  if (controllers.length > 0) {
    stop(event);
    if (event.repeat || down.has(place(event))) return;
    const may = isDesk() || controllers.some(mayMove);
    if (may && send({ do: "key", key: event.key, down: true })) down.set(place(event), event.key);
    return;
  }
  const act = own(event.key);
  if (!act) return;
  stop(event);
  if (!event.repeat) act();
}

function own(key) {
  if (state.piece.role !== "desk") return null;
  if (key === "Escape") return actions.escape;
  if (!actions.playing()) return null;
  return { PageDown: actions.next, PageUp: actions.back, m: actions.choose, M: actions.choose }[key] ?? null;
}

function released(event) {
  // A browser may press a button on release.
  if (down.has(place(event)) || (owners(event.key).length > 0 && !writing(event.target))) stop(event);
  letGo(place(event));
}

function letGo(code) {
  const key = down.get(code);
  if (down.delete(code) && !send({ do: "key", key, down: false })) owed.push(key);
}

const letAllGo = () => [...down.keys()].forEach(letGo);

export function start() {
  addEventListener("keydown", pressed, { capture: true });
  addEventListener("keyup", released, { capture: true });
  // A key that goes up while another window has the keyboard would otherwise stay down for ever.
  addEventListener("blur", letAllGo);
  document.addEventListener("visibilitychange", () => document.hidden && letAllGo());
}

/** Something can be sent again over the same connection: what came up meanwhile is told. */
export function settle() {
  for (const key of owed) send({ do: "key", key, down: false });
  owed = [];
}

/** After a lost connection no key is known to be down. */
export function forget() {
  down.clear();
  owed = [];
}
