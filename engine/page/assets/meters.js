// The meter frames, read into arrays that are made once a piece.

const CHANNEL = 32;
const HEAD = 16;

export const VERDICTS = ["nothing", "too quiet", "good", "hot", "clipped"];

// Of each channel, in this order.
const FIGURES = ["peak", "held", "rms", "floor", "crest", "reduction"];

/** Arrays of the channels' figures, mics first, then outputs. Linear where the frame is linear. */
export const meters = { sample: 0, mics: 0, outputs: 0 };

function make(count) {
  for (const name of FIGURES) meters[name] = new Float32Array(count);
  meters.clips = new Uint32Array(count);
  meters.verdict = new Uint8Array(count);
  meters.flags = new Uint8Array(count);
}

make(0);

/** Reads one frame; false if it is not one that we know. */
export function read(frame) {
  if (frame.byteLength < HEAD || frame.getUint8(0) !== 1 || frame.getUint8(1) !== 1) return false;
  const mics = frame.getUint8(2);
  const outputs = frame.getUint8(3);
  const count = mics + outputs;
  if (frame.byteLength < HEAD + count * CHANNEL) return false;
  if (meters.peak.length !== count) make(count);
  meters.mics = mics;
  meters.outputs = outputs;
  meters.sample = frame.getFloat64(8, true);
  for (let channel = 0; channel < count; channel++) {
    const at = HEAD + channel * CHANNEL;
    for (let figure = 0; figure < FIGURES.length; figure++) meters[FIGURES[figure]][channel] = frame.getFloat32(at + 4 * figure, true);
    meters.clips[channel] = frame.getUint32(at + 24, true);
    meters.verdict[channel] = frame.getUint8(at + 28);
    meters.flags[channel] = frame.getUint8(at + 29);
  }
  return true;
}

/** Decibels of a linear value; -120 for silence. */
export const decibels = (linear) => (linear > 1e-6 ? 20 * Math.log10(linear) : -120);

/** What a limiter does that takes `db` away, in words; what nobody hears is not said. */
export const limited = (db) => (db >= 0.5 ? `held down by ${db.toFixed(db < 3 ? 1 : 0)} dB` : "");

/** Decibels in words, with a real minus sign. */
export const inWords = (db) => (!(db > -119.5) ? "−∞" : db.toFixed(0).replace("-", "−").replace(/^−0$/, "0"));
