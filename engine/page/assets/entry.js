// The door: one field for the key, or the key from the address.

import { h, text, disable } from "./dom.js";
import { state } from "./state.js";
import { refused } from "./words.js";

let opened = null;
let field = null;
let trouble = null;
let submit = null;

/** Posts a key; returns null when it was taken, else the server's words. */
async function enter(key) {
  try {
    const answer = await fetch("/enter", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ key }), signal: AbortSignal.timeout(8000) });
    if (answer.ok) return null;
    const told = await answer.json().catch(() => null);
    return told?.error ?? `The server answered ${answer.status}.`;
  } catch {
    return "No connection to the server: look whether this device is on the hall's network.";
  }
}

/** Takes the key from the address now, and whenever one comes there later; `go` is called when a later one was right. */
export async function start(section, go) {
  opened = go;
  build(section);
  addEventListener("hashchange", async () => (await fromAddress()) && go());
  await fromAddress();
}

/** Takes the key from the address, if there is one; whether it let us in. */
async function fromAddress() {
  const found = /^#key=(.*)$/.exec(location.hash);
  if (!found) return false;
  let key = found[1];
  try {
    key = decodeURIComponent(key);
  } catch {
    // Taken as it stands: the server says whether it is a key.
  }
  history.replaceState(null, "", location.pathname);
  const words = await enter(key);
  // Whoever is in stays in.
  if (words !== null) (state.connected ? refused : ask)(words);
  return words === null;
}

function build(section) {
  field = h("input", { type: "text", id: "key", name: "key", required: true, autocomplete: "off", autocapitalize: "characters", spellcheck: "false", maxlength: 64, "aria-describedby": "key-help key-trouble" });
  trouble = h("p.trouble", { id: "key-trouble", role: "alert" });
  submit = h("button", { type: "submit" }, "Enter");
  const form = h("form", {}, h("label", { for: "key" }, "Key"), field, submit, trouble);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    disable(submit, true);
    const words = await enter(field.value);
    disable(submit, false);
    if (words !== null) return ask(words);
    field.value = "";
    text(trouble, "");
    opened();
  });
  section.append(
    h("h1", { id: "entry-title" }, "A key, please"),
    h("div", { id: "key-help" }, h("p", {}, "The desk of this piece has three keys. Type one, or scan its code with the phone's camera:"), h("ul", {}, h("li", {}, "the watching key shows everything and moves nothing;"), h("li", {}, "the player's key shows the cue and works one lever;"), h("li", {}, "the desk's key does everything."))),
    form,
  );
}

/** Shows the form, with what the server said about the last key. */
export function ask(words = "") {
  if (words) text(trouble, words);
  if (document.body.dataset.entering === "true") return;
  document.body.dataset.entering = "true";
  dispatchEvent(new Event("hashchange"));
  field.focus();
}
