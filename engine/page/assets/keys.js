// Keys. Those of the piece come first, before any element, whatever has the focus; then the page's own.

import { state, ready, mayMove } from "./state.js";
import { send } from "./connection.js";
import * as actions from "./actions.js";

const down = new Set();

const writing = (target) => target instanceof HTMLInputElement && (target.type === "text" || target.type === "password");
const owner = (key) => (state.piece?.controllers ?? []).findIndex((controller) => controller.key === key);

function stop(event) {
  event.preventDefault();
  event.stopImmediatePropagation();
}

function pressed(event) {
  if (!ready() || writing(event.target) || event.ctrlKey || event.altKey || event.metaKey || event.isComposing) return;
  const controller = owner(event.key);
  if (controller >= 0) {
    stop(event);
    if (event.repeat || down.has(event.key)) return;
    const may = state.piece.role === "desk" ? state.connected : mayMove(controller);
    if (may && send({ do: "key", key: event.key, down: true })) down.add(event.key);
    return;
  }
  const act = own(event.key);
  if (!act) return;
  stop(event);
  if (!event.repeat) act();
}

function own(key) {
  if (state.piece.role !== "desk") return null;
  if (document.getElementById("marks").open) return key === "Escape" ? actions.leave : null;
  if (key === "Escape") return actions.hush;
  if (!actions.playing()) return null;
  return { PageDown: actions.next, PageUp: actions.back, m: actions.choose, M: actions.choose }[key] ?? null;
}

function released(event) {
  if (owner(event.key) >= 0 && !writing(event.target)) stop(event); // a browser may press a button on release
  if (down.delete(event.key)) send({ do: "key", key: event.key, down: false });
}

/** Listens, before every element. */
export function start() {
  addEventListener("keydown", pressed, { capture: true });
  addEventListener("keyup", released, { capture: true });
  // A key that goes up while another window has the keyboard would otherwise stay down for ever.
  addEventListener("blur", () => {
    for (const key of down) send({ do: "key", key, down: false });
    down.clear();
  });
}

/** After a lost connection no key is known to be down. */
export const forget = () => down.clear();
