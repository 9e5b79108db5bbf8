// What a session says of itself, as small as a page can be shown with; tests change what they are about.

const PHASE = {
  passive: { say: "Relax, stay in the position", short: "relax", contracts: false, relaxes: true, in_position: true },
  contract: { say: "Contract", short: "contract", contracts: true, relaxes: false, in_position: true },
  rest: { say: "Come out and rest", short: "rest", contracts: false, relaxes: false, in_position: false },
};
const SCALE = {
  question: "Discomfort now, 0 to 10?",
  low_label: "none",
  high_label: "the worst",
  ends: "0 none, 10 the worst",
  asks_about: "rate the stretch",
  aloud: "the stretch",
};
const REASONS = {
  enough: { say: "just enough", caution: "", may_go_on: true },
  sharp: { say: "sharp or odd sensation", caution: "Do not go on today.", may_go_on: false },
};
export const CHANNEL = { name: "force", kind: "force", unit: "N", calibrated: true, problem: null, guide: true, in_use: null };
export const PHASES = ["passive", "contract", "passive"].map((kind, index) => ({
  ...{ index, kind, title: kind === "contract" ? "Contract" : "Let go", duration_s: 20, cycle: 1 },
  band: kind === "contract" ? [60, 80] : null,
}));

export function session(changes = {}) {
  return {
    words: {
      phase: PHASE,
      scale: SCALE,
      count: ["one", "two"],
      effort: { question: "How hard?", ends: "0 nothing" },
      stop_reasons: REASONS,
    },
    ...{ simulated: false, fast: false, athlete: "A01", exercise: "hamstring stretch", side: "left", position: "heel on box" },
    ...{ stage: "cautions", cautions: ["Not a medical device.", "Stop on sharp pain."], channels: [CHANNEL] },
    zero: { state: "idle", results: {} },
    scale: { channel: "", running: false, loads: [], refused: null, certificate: null, check: null },
    maximum: maximum(),
    plans: [
      { name: "check", title: "Response check", description: "Alternate.", duration_s: 220 },
      { name: "light", title: "Light hold", description: "One long hold.", duration_s: 120 },
    ],
    ...{ plan: null, phase: null, next: null, band: null, ask: null, ask_position: null, position_offset: null },
    ...{ doubts: [], ratings: [], limit: 8, feedback: true, level_rate_hz: 100, message: null, stopped: null },
    ...{ answer: null, report_url: null, recording: { file: "A01.hold", problem: null } },
    ...changes,
  };
}

export function maximum(changes = {}) {
  const verdict = { state: "more", text: "3 more attempts are needed" };
  return {
    step: "idle",
    number: 1,
    n_needed: 3,
    attempts: [],
    verdict,
    strength: null,
    unit: "N",
    method: "attempts",
    ...changes,
  };
}

/** In a phase of a plan. */
export function holding(index = 1, changes = {}) {
  const phase = { ...PHASES[index], since_s: 20 * index, ends_at_s: 20 * index + 20 };
  const plan = { name: "check", title: "Response check", phases: PHASES, index };
  return session({ stage: "plan", plan, phase, next: PHASES[index + 1] ?? null, band: phase.band, ...changes });
}

export function rating(number, value, changes = {}) {
  return { number, time_s: 15 * number, value, phase_index: number - 1, corrected: false, phase_kind: "contract", ...changes };
}
