// The two themes: paper for a bright room, pit for a dark one. Loaded before the first paint, so that a dark pit sees no
// white flash.

const KEY = "tenterhook-theme";
const dark = matchMedia("(prefers-color-scheme: dark)");

/** What this browser keeps under `key`, or null; a browser that keeps nothing is no reason to fail. */
export function kept(key) {
  try {
    return localStorage.getItem(key);
  } catch {
    return null;
  }
}

/** Keeps `value` under `key` (null: forgets it), where the browser lets us. */
export function keep(key, value) {
  try {
    if (value === null) localStorage.removeItem(key);
    else localStorage.setItem(key, value);
  } catch {
    // Not remembered, then: the page works all the same.
  }
}

const chosen = () => {
  const theme = kept(KEY);
  return theme === "paper" || theme === "pit" ? theme : dark.matches ? "pit" : "paper";
};

function put(theme) {
  document.documentElement.dataset.theme = theme;
  const button = document.getElementById("theme");
  if (button) button.textContent = theme === "pit" ? "Paper" : "Pit";
}

put(chosen());
dark.addEventListener("change", () => put(chosen()));

export function start() {
  put(chosen());
  document.getElementById("theme").addEventListener("click", () => {
    const other = document.documentElement.dataset.theme === "pit" ? "paper" : "pit";
    keep(KEY, other);
    put(other);
  });
}
