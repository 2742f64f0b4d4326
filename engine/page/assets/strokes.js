// Loudness as strokes that stand on a mic's line: longer, thicker and darker the louder, newest at the right edge.

import { clock, loudness, QUIET, SECONDS } from "./loudness.js";

const still = matchMedia("(prefers-reduced-motion: reduce)");
const STEPS = 8; // degrees of weight
const BOTTOM = -60; // dB: quieter leaves the line bare
const SLOT = 0.1;
const APART = 4; // CSS pixels between two strokes, at least: narrow lines take several slots together

/** Every line that is drawn: `{ canvas, context, mic, seen, width, height, ratio, ink }`. */
const lines = new Set();
let drawn = -1;
let dirty = true;

const sight = new IntersectionObserver((entries) => {
  for (const entry of entries) {
    const line = entry.target.strokes;
    if (line) line.seen = entry.isIntersecting;
  }
  dirty = true;
});
const size = new ResizeObserver((entries) => {
  for (const entry of entries) if (entry.target.strokes) fit(entry.target.strokes);
});

export function add(canvas, mic) {
  const line = { canvas, context: canvas.getContext("2d"), mic, seen: true, width: 0, height: 0, ratio: 1, ink: "#000" };
  canvas.strokes = line;
  lines.add(line);
  sight.observe(canvas);
  size.observe(canvas);
}

export function clear() {
  for (const line of lines) {
    sight.unobserve(line.canvas);
    size.unobserve(line.canvas);
  }
  lines.clear();
}

/** Reads sizes and ink again: after a change of theme. */
export function refresh() {
  for (const line of lines) fit(line);
}

function fit(line) {
  line.ratio = devicePixelRatio || 1;
  line.width = Math.round(line.canvas.clientWidth * line.ratio);
  line.height = Math.round(line.canvas.clientHeight * line.ratio);
  line.canvas.width = line.width;
  line.canvas.height = line.height;
  line.ink = getComputedStyle(line.canvas).color;
  dirty = true;
}

function draw(line, time) {
  const { context, width, height, ratio, mic } = line;
  context.clearRect(0, 0, width, height);
  context.fillStyle = line.ink;
  const perSecond = width / SECONDS;
  const together = Math.ceil((APART * ratio) / (perSecond * SLOT));
  const pitch = together * SLOT * perSecond;
  const last = Math.floor(time / SLOT / together);
  const first = last - Math.ceil(SECONDS / SLOT / together);
  for (let stroke = first; stroke <= last; stroke++) {
    let loudest = QUIET;
    for (let slot = stroke * together; slot < (stroke + 1) * together; slot++) loudest = Math.max(loudest, loudness(mic, slot));
    const loud = (loudest - BOTTOM) / -BOTTOM;
    if (loud <= 0) continue;
    const weight = Math.min(STEPS, Math.ceil(loud * STEPS)) / STEPS;
    const tall = Math.min(1, loud) * (height - 2 * ratio);
    const thick = Math.max(0.8 * ratio, pitch * (0.1 + 0.6 * weight * weight));
    context.globalAlpha = 0.5 + 0.5 * weight;
    context.fillRect(width - (time - stroke * together * SLOT) * perSecond, height - tall, thick, tall);
  }
  context.globalAlpha = 1;
}

function tick(at) {
  requestAnimationFrame(tick);
  if (lines.size === 0) return;
  let time = clock(at);
  if (still.matches) time = Math.floor(time);
  if (time === drawn && !dirty) return;
  drawn = time;
  dirty = false;
  for (const line of lines) if (line.seen && line.width > 0) draw(line, time);
}

requestAnimationFrame(tick);
new MutationObserver(() => requestAnimationFrame(refresh)).observe(document.documentElement, {
  attributeFilter: ["data-theme"],
});
matchMedia("(forced-colors: active)").addEventListener("change", refresh);
