// How others come in, for the desk: shows a role's address and code, and renews a key that came into wrong hands.

import { h, text, disable, show } from "./dom.js";
import { state, isDesk } from "./state.js";
import { ask } from "./asking.js";

const ROLES = [
  ["player", "Players"],
  ["watch", "To watch"],
  ["desk", "The desk"],
];
const SURE = 4000; // ms in which a second press means it

export class Invitations {
  constructor() {
    this.buttons = [];
    this.said = h("p", { role: "status" });
    this.code = h("img", { id: "invitation", alt: "", width: 240, height: 240, hidden: true });
    const lines = ROLES.map(([role, name]) => h("li", {}, h("span", {}, h("b", {}, name)), role === "desk" ? null : this.button(`Show the code: ${name}`, "Show the code", () => this.show(role)), this.renewal(role, name)));
    this.element = h("div", {}, h("h2", {}, "Who comes in"), h("ul.machine", { id: "invitations" }, ...lines), this.said, this.code);
  }

  button(label, words, onclick) {
    const button = h("button", { type: "button", "aria-label": label, onclick }, words);
    this.buttons.push(button);
    return button;
  }

  renewal(role, name) {
    let sure = 0;
    const button = this.button(`New key: ${name}`, "New key", () => {
      if (performance.now() < sure) {
        sure = 0;
        this.show(role, { method: "POST" });
      } else {
        sure = performance.now() + SURE;
        this.code.hidden = true;
        text(this.said, `Press again to make a new key: whoever came in by the old one (${name.toLowerCase()}) is out at once, all others stay.`);
      }
    });
    return button;
  }

  update() {
    show(this.element, state.piece.role === "desk");
    for (const button of this.buttons) disable(button, !isDesk());
  }

  async show(role, options = {}) {
    this.code.hidden = true;
    const { told, trouble } = await ask(`/keys/${role}`, options);
    const renewed = options.method === "POST" ? "New key. " : "";
    text(this.said, trouble ?? (told.address === null ? `${renewed}This page has it; elsewhere \`tenterhook invite desk\` shows it.` : `${renewed}${told.address}`));
    if (!told?.code) return;
    this.code.alt = `The address for ${role} as a code for a camera`;
    this.code.src = `data:image/svg+xml,${encodeURIComponent(told.code)}`;
    this.code.hidden = false;
  }
}
