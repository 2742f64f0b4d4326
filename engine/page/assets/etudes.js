// The études: each a page to read, to hear and to take along.

import { h, text, attribute } from "./dom.js";

/** Where a comment begins in a line of TOML, outside quotes; -1 if there is none. */
function comment(line) {
  let quote = "";
  for (let at = 0; at < line.length; at++) {
    const c = line[at];
    if (quote) {
      if (c === "\\" && quote === '"') at += 1;
      else if (c === quote) quote = "";
    } else if (c === '"' || c === "'") quote = c;
    else if (c === "#") return at;
  }
  return -1;
}

/** Words with `code` between backticks. */
const inline = (words) => words.split("`").map((part, index) => (index % 2 === 1 ? h("code", {}, part) : part));

/** Comment lines as prose: a line with an indented block beneath it is a heading, a dash begins a point of a list. */
function prose(lines) {
  const parts = [];
  const blocks = lines.join("\n").split(/\n\s*\n/).filter((words) => words.trim() !== "");
  for (const block of blocks) {
    const rows = block.split("\n").filter((row) => row.trim() !== "");
    if (rows.length > 1 && !rows[0].startsWith(" ") && rows.slice(1).every((row) => row.startsWith(" "))) parts.push(h("h3", {}, rows.shift()));
    const points = rows.map((row) => row.trim()).join("\n").split(/(?:^|\n)- /);
    const words = (point) => inline(point.replaceAll("\n", " "));
    if (points[0] !== "") parts.push(h("p", {}, ...words(points[0])));
    if (points.length > 1) parts.push(h("ul", {}, ...points.slice(1).map((point) => h("li", {}, ...words(point)))));
  }
  return parts;
}

/** The file as a page: comments that have lines of their own are prose, all else is code. */
function page(toml) {
  const parts = [];
  let kind = null;
  let lines = [];
  const close = () => {
    if (kind === "prose") {
      parts.push(...prose(lines));
    } else if (kind === "code") {
      while (lines.at(-1)?.trim() === "") lines.pop();
      const code = h("code");
      lines.forEach((line, index) => {
        const at = comment(line);
        code.append(at < 0 ? line : line.slice(0, at), ...(at < 0 ? [] : [h("i", {}, line.slice(at))]), index + 1 < lines.length ? "\n" : "");
      });
      parts.push(h("pre", { tabindex: "0", role: "group", "aria-label": "As written in the piece" }, code));
    }
    lines = [];
  };
  for (const line of toml.split("\n")) {
    const now = line.startsWith("#") ? "prose" : line.trim() === "" && kind !== "code" ? kind : "code";
    if (now !== kind) close();
    kind = now;
    lines.push(now === "prose" ? line.replace(/^#\s?/, "") : line);
  }
  close();
  return parts;
}

export class View {
  constructor(section) {
    this.asked = false;
    this.list = h("ul", {});
    this.page = h("article", { "aria-live": "off" });
    section.append(h("div.contents", {}, h("h1", { id: "etudes-title" }, "Études"), h("p.idea", {}, "One idea each: read it, hear it, take it along."), this.list), this.page);
  }

  /** Fetches the list when it is first looked at. */
  async look() {
    if (this.asked) return;
    this.asked = true;
    try {
      const answer = await fetch("/etudes", { signal: AbortSignal.timeout(8000) });
      if (!answer.ok) throw new Error(`the server answered ${answer.status}`);
      const etudes = await answer.json();
      this.list.replaceChildren(...etudes.map((etude) => this.entry(etude)));
      if (etudes.length > 0) this.open(etudes[0]);
    } catch (error) {
      this.asked = false;
      this.page.replaceChildren(h("p", { role: "alert" }, `The études cannot be fetched: ${error.message}. Look at the connection, then open this view again.`));
    }
  }

  entry(etude) {
    const button = h("button.entry", { type: "button", "data-etude": etude.name }, h("span.name", {}, etude.title), h("span.idea", {}, etude.idea));
    button.addEventListener("click", () => this.open(etude));
    return h("li", {}, button);
  }

  open(etude) {
    for (const button of this.list.querySelectorAll("button")) attribute(button, "aria-current", button.dataset.etude === etude.name ? "true" : null);
    const file = `/etudes/${encodeURIComponent(etude.name)}`;
    const trouble = h("p.trouble", { role: "status" });
    const audio = h("audio", { controls: true, preload: "none", src: `${file}.wav`, "aria-label": `Hear ${etude.title}` });
    audio.addEventListener("error", () => this.why(`${file}.wav`, trouble));
    audio.addEventListener("playing", () => text(trouble, ""));
    this.page.querySelector("audio")?.pause();
    this.page.replaceChildren(
      h("h2", {}, etude.title),
      h("p.idea", {}, etude.idea),
      h("div.hear", {}, audio, h("a", { href: `${file}.toml`, download: `${etude.name}.toml` }, `Take along ${etude.name}.toml`)),
      trouble,
      ...page(etude.text),
    );
  }

  // The audio element does not tell what the server said: ask again, plainly.
  async why(address, trouble) {
    try {
      const answer = await fetch(address, { signal: AbortSignal.timeout(8000) });
      const words = answer.ok ? null : (await answer.json().catch(() => null))?.error;
      text(trouble, `It cannot be heard now: ${words ?? (answer.ok ? "this browser cannot play it" : `the server answered ${answer.status}`)}.`.replace("..", "."));
    } catch {
      text(trouble, "It cannot be heard now: no connection to the server.");
    }
  }
}
