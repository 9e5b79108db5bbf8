// What a coach's device may do only after a yes at the computer that records: asked there, told on the device.

const HERE = 0; // the number of the computer that records
const STEP_S = 10; // a countdown that is read aloud by a screen reader must not run every second

export class Asks {
  constructor() {
    this.shared = null;
    this.toldMs = 0;
    this.device = HERE;
  }

  tell(shared) {
    this.shared = shared;
    this.toldMs = performance.now();
  }

  /** What to say over the page now, with the two answers where this is the computer that records; or null. */
  get banner() {
    return askBanner(this.shared?.asks ?? [], this.device, (performance.now() - this.toldMs) / 1000);
  }
}

const within = (leftS) => `within ${Math.ceil(leftS / STEP_S) * STEP_S} s`;

/**
 * @param {{number: number, device: number, what: string, state: string, left_s: number}[]} asks
 * @param {number} device whose page this is
 * @param {number} passedS since it was told
 */
export function askBanner(asks, device, passedS) {
  const current = asks.filter((ask) => ask.left_s > passedS);
  const ask = current.find((each) =>
    device === HERE ? each.state === "waiting" : each.device === device && each.state !== "yes",
  );
  if (!ask) return null;
  const leftS = ask.left_s - passedS;
  if (device === HERE) {
    const answer = (title, yes) => ({ title, command: { do: "allow", ask: ask.number, yes } });
    const cure = `Yes or no ${within(leftS)}. Without a yes nothing is done.`;
    return {
      level: "info",
      what: `Device ${ask.device} asks ${ask.what}.`,
      cure,
      actions: [answer("Yes", true), answer("No", false)],
    };
  }
  if (ask.state === "no")
    return { level: "error", what: "Not allowed at the computer that records.", cure: "Nothing was done. Ask the coach there." };
  const cure = `Somebody says it there ${within(leftS)}, or nothing is done.`;
  return { level: "info", what: "The computer that records asks for a yes.", cure };
}
