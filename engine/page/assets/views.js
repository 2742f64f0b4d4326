// Which view is shown: by the address's hash, else as the piece opens.

import { at, show, attribute } from "./dom.js";
import { state } from "./state.js";

const NAMES = ["score", "soundcheck", "etudes", "study", "cue"];
let changed = null;

/** Shows the view that the address and the state ask for. */
export function route() {
  const hash = location.hash.slice(1);
  const first = state.piece?.role === "player" ? "cue" : (state.piece?.opens ?? "score");
  const studies = state.piece?.study ?? false;
  const name = NAMES.includes(hash) && (hash !== "study" || studies) ? hash : NAMES.includes(first) ? first : "score";
  const entering = document.body.dataset.entering === "true";
  for (const view of NAMES) show(at(view), !entering && view === name);
  show(at("entry"), entering);
  show(document.querySelector("nav [data-view='study']"), studies);
  for (const link of document.querySelectorAll("nav a")) attribute(link, "aria-current", link.dataset.view === name ? "page" : null);
  if (document.body.dataset.view !== name) document.body.dataset.view = name;
  changed(name);
}

/** Follows the address; `on` is told the view's name. */
export function start(on) {
  changed = on;
  addEventListener("hashchange", route);
  route();
}

export const current = () => document.body.dataset.view;
