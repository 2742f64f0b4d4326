// How the study asks the server, and says times.

/** The answer as JSON, or `{ trouble }` in words. */
export async function ask(address, options = {}) {
  try {
    const answer = await fetch(address, options);
    if (answer.ok) return { told: await answer.json() };
    return { trouble: await refusal(answer) };
  } catch {
    return { trouble: LOST };
  }
}

export const LOST = "no connection to the server: look whether this device is on its network, then try again.";

/** Why the server refused, in its own words. */
export async function refusal(answer) {
  const told = await answer.json().catch(() => null);
  return sentence(told?.error, answer.status);
}

/** Words as the server gives them, which may begin with a file's name. */
export const sentence = (words, status) => `${words ?? `the server answered ${status}`}.`;

export const seconds = (time) => `${time.toFixed(2)} s`;

export const span = ({ from, to }) => `${from.toFixed(2)}–${to.toFixed(2)} s`;

/** Number as it stands in print. */
export const figure = (number, digits) => number.toFixed(digits).replace("-", "−");
