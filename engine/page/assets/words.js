// What one must know, said where one looks; and how the page stands with the engine.

import { at, h, text, show, attribute } from "./dom.js";
import { state, ready, live } from "./state.js";

/** A list of words; the score's stands beneath the scene's head. */
export function list(id) {
  return h("div.words", { id, role: "status", "aria-label": "What one must know" });
}

export function fill(element) {
  const lines = ready() ? gather() : [];
  const now = JSON.stringify(lines);
  if (now === element.said) return;
  element.said = now;
  element.replaceChildren(...lines.map(([kind, sign, said]) => h(`p.${kind}`, {}, h("span.sign", { "aria-hidden": "true" }, sign), said)));
}

function gather() {
  const { piece, now } = state;
  const lines = [];
  if (now.hushed) lines.push(["hushed", "", "Hushed"]);
  for (const word of now.words) lines.push(word.grave ? ["grave", "▲", word.text] : ["mild", "△", word.text]);
  if (!now.hushed) {
    const waiting = piece.effects.flatMap(({ owner, key, controller }, index) => {
      const by = piece.controllers[controller]?.name;
      const why = now.whys[index];
      const said = {
        waits: `${why}: bring ${by} to rest first`,
        moves: `${why}, or takes hold when ${by} moves`,
        nothing: why,
        full: why,
      }[now.effects[index]];
      return said && (by || said === why) ? `${owner} ${key}: ${said}` : [];
    });
    if (waiting.length > 0) lines.push(["waiting", "◇", waiting.join("; ")]);
  }
  return lines;
}

/** Says whether what is seen is true just now; called a few times a second. */
export function standing() {
  const status = at("status");
  const lost = at("lost");
  const time = performance.now();
  const since = (past) => `since ${Math.max(1, Math.round((time - past) / 1000))} s`;
  let trouble = "";
  if (!state.connected) {
    const old = state.piece === null ? "" : ": what you see is old";
    if (state.full > 1) trouble = "Too many pages are open: close some. This page keeps trying.";
    else if (state.lostAt !== null && time - state.lostAt > 300) trouble = `No connection to the engine ${since(state.lostAt)}${old}. This page keeps trying.`;
  } else if (!live()) {
    trouble = `No meters from the engine ${since(state.metersAt)}: what you see may be old.`;
  }
  const entering = document.body.dataset.entering === "true";
  show(lost, trouble !== "" && !entering);
  // Said aloud once; the count is for the eye alone.
  if (trouble !== "") {
    if (lost.childElementCount === 0) lost.append(h("span.sign", { "aria-hidden": "true" }, "▲"), h("span"));
    else attribute(lost, "aria-live", "off");
    text(lost.lastElementChild, trouble);
  } else {
    lost.replaceChildren();
    attribute(lost, "aria-live", null);
  }
  const roles = { desk: "desk", player: "player", watch: "watching" };
  const source = state.piece?.rehearsal ? ", rehearsal" : "";
  text(status, entering ? "A key is wanted" : !state.connected ? "Not connected" : trouble ? "Engine silent" : `${roles[state.piece.role]}${source}`);
  attribute(document.body, "data-connected", state.connected);
}

let refusalTimer = 0;

/** Says for a while why the server refused something. */
export function refused(words) {
  const element = at("refusal");
  text(element, words);
  show(element, true);
  clearTimeout(refusalTimer);
  refusalTimer = setTimeout(() => show(element, false), 6000);
}
