// Puts the page together: messages in, views out.

import { at, text } from "./dom.js";
import { state, ready, scene, live } from "./state.js";
import { read } from "./meters.js";
import * as actions from "./actions.js";
import * as connection from "./connection.js";
import * as entry from "./entry.js";
import * as keys from "./keys.js";
import * as loudness from "./loudness.js";
import * as theme from "./theme.js";
import * as views from "./views.js";
import * as words from "./words.js";
import { Cue, tell } from "./cue.js";
import { Score } from "./score.js";
import { Soundcheck } from "./soundcheck.js";

const score = new Score(at("score"));
const soundcheck = new Soundcheck(at("soundcheck"));
const cue = new Cue(at("cue"));
let announced = null;
let wasLive = false;

function update() {
  score.update();
  soundcheck.update();
  cue.update();
  actions.update();
}

function announce() {
  const here = `Scene ${scene().mark}${scene().name ? `, ${scene().name}` : ""}`;
  if (announced !== null && announced !== here) text(at("announce"), here);
  announced = here;
}

// Controls work while what is seen is true, and no longer.
function look() {
  const now = live();
  if (now !== wasLive) {
    wasLive = now;
    if (now) {
      tell();
      keys.settle();
    }
    update();
  }
  words.standing();
}

function message(told) {
  if (told.piece) {
    // Another program means another page: its own modules are fetched.
    if (state.piece && state.piece.program !== told.piece.program) location.reload();
    // After a lost connection the same piece comes again: all that is drawn of it stays.
    if (JSON.stringify(state.piece) === JSON.stringify(told.piece)) return;
    state.piece = told.piece;
    state.now = null; // the indices of the piece before mean nothing now
    loudness.forget();
    document.title = told.piece.title;
    text(at("about"), `Tenterhook ${told.piece.program}`);
  } else if (told.now && state.piece) {
    const first = state.now === null;
    state.now = told.now;
    if (first) views.route();
    announce();
    update();
  } else if (told.history) loudness.history(told.history);
  else if (told.error) words.refused(told.error);
}

function comeIn() {
  if (document.body.dataset.entering !== "true") return;
  document.body.dataset.entering = "false";
  views.route();
}

function metered(frame) {
  if (!ready() || !read(frame)) return;
  state.metersAt = performance.now();
  if (!state.connected) {
    // The server sends piece and state before the first meters.
    state.connected = true;
    state.lostAt = null;
    connection.established();
    comeIn();
  }
  if (!wasLive) look();
  loudness.frame(state.piece.rate);
  if (document.hidden) return;
  if (views.current() === "score") score.metered();
  else if (views.current() === "soundcheck") soundcheck.metered();
}

// Seldom looked at, so fetched when they are.
const SELDOM = ["etudes", "study"];
const opened = {};

async function open(name) {
  try {
    const { View } = await import(`./${name}.js`);
    opened[name] ??= new View(at(name));
    opened[name].look();
  } catch {
    words.refused("This view cannot be fetched: look at the connection, then load the page again.");
  }
}

theme.start();
actions.start();
keys.start();
views.start((name) => {
  if (SELDOM.includes(name) && document.body.dataset.entering !== "true") open(name);
  if (ready()) update();
});
setInterval(() => {
  connection.watch();
  look();
}, 250);
document.addEventListener("visibilitychange", () => document.hidden || connection.retry());

await entry.start(at("entry"), () => {
  comeIn();
  connection.renew();
});
connection.start({
  message,
  meters: metered,
  change: () => {
    keys.forget();
    look();
  },
  keyWanted: entry.ask,
});
