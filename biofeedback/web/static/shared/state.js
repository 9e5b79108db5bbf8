// What the page says in words, as pure functions of the session's state, the newest update and the link. No DOM here.

import { elapsedS, moves } from "./target.js";
import { aimText, bandText, durationText, sentence } from "./text.js";
import { capital, lowerFirst, meaningOf, nameOfPhase, sayPhase } from "./words.js";

/** @typedef {import("./types").State} State */
/** @typedef {import("./types").Update} Update */
/** @typedef {import("./types").Trouble} Trouble */

/** @type {Record<number, string>} what a practice push asks for, as people feel it */
const SHARES = { 25: "a quarter", 50: "half", 75: "three quarters" };
const LET_GO_NOW = "Let go now";
/** @type {Record<string, string>} */
const HOW = { contract: "Count aloud.", remote: "As hard as it felt in the stretched muscle. Count aloud." };

/** @param {State | null} state */
export function guideIndex(state) {
  const index = (state?.channels ?? []).findIndex((channel) => channel.guide);
  return Math.max(0, index);
}

/**
 * Is there an effort under way that Stop must be able to end?
 * @param {State | null} state
 */
export function isRunning(state) {
  return state?.stage === "plan" || (state?.stage === "maximum" && ["countdown", "push"].includes(state.maximum.step));
}

/**
 * Is it the moment for the one press before the first hold? A page that nobody touched is silent, whoever it belongs
 * to; an effort is never hidden behind the press, nor a rest between two of them.
 * @param {State} state
 */
export function waitsForPress(state) {
  return ["zero", "ready"].includes(state.stage) || (state.stage === "maximum" && state.maximum.step === "idle");
}

/**
 * What the athlete is in: changes when something else is to be done.
 * @param {State} state
 */
export function stepOf(state) {
  return state.stage === "plan" ? state.phase?.index : state.maximum.step + state.maximum.number;
}

/**
 * Is the position question to be shown? Never together with a rating, never while contracting.
 * @param {State} state
 */
export function asksPosition(state) {
  return state.stage === "plan" && Boolean(state.ask_position) && !state.ask && !meaningOf(state).contracts;
}

/**
 * The one thing that keeps the number from being believed, or null.
 * @param {State | null} state
 * @param {Update | null} update
 * @param {import("./types").LinkStatus} link
 * @returns {Trouble | null}
 */
export function trouble(state, update, link) {
  if (link === "connecting") return { kind: "link", what: "Connecting to the session", cure: "" };
  if (link === "absent") {
    return { kind: "link", what: "The program does not answer", cure: "Is it still running? This page tries again by itself." };
  }
  if (link === "silent") {
    const cure = "Let go now. It reconnects by itself; a Stop pressed now is kept and sent first.";
    return { kind: "link", now: LET_GO_NOW, what: "This page is disconnected", cure };
  }
  if (link === "late") {
    const cure = "Go by feel, or move closer to the computer.";
    return { kind: "link", now: "Go by feel", what: "The number arrives late", cure };
  }
  if (!state || !update) return { kind: "link", what: "Waiting for the session", cure: "" };
  const guide = state.channels[guideIndex(state)];
  if (guide?.problem && !guide.problem.doubt) return { kind: "signal", channel: guide.name, ...guide.problem };
  if (update.stale) {
    const cure = "Check the cable, the power and the radio link.";
    return { kind: "signal", channel: guide?.name ?? "sensor", what: "signal lost", cure };
  }
  const bad = state.channels.find((channel) => channel.problem);
  return bad?.problem ? { kind: "other", channel: bad.name, ...bad.problem } : null;
}

/**
 * Is the athlete asked to push just now?
 * @param {State | null} state
 */
export function isContracting(state) {
  if (state?.stage === "maximum") return state.maximum.step === "push";
  return state?.stage === "plan" && meaningOf(state).contracts;
}

/**
 * Why the athlete is to let go at once, whatever the plan says; null: no reason. Without its sensor a contraction goes
 * by nothing, and one that another sensor measures goes by the wrong number.
 * @param {State | null} state
 * @param {Trouble | null} problem
 * @returns {"link" | "signal" | "paused" | null}
 */
export function reasonToLetGo(state, problem) {
  if (!isRunning(state)) return null;
  if (problem?.kind === "link") return problem.now === LET_GO_NOW ? "link" : null;
  if (state?.paused) return "paused";
  if (!isContracting(state)) return null;
  const strange = state?.message?.actions?.some(({ command }) => command.do === "device");
  return problem?.kind === "signal" || strange ? "signal" : null;
}

/**
 * Headline and the line under it: what to do now. On a broken link the last instruction may be over long since.
 * @param {State | null} state
 * @param {Trouble | null} problem
 * @param {Update | null} update
 */
export function instruction(state, problem = null, update = null) {
  if (!state) return { now: "Connecting", more: "" };
  if (problem?.now && isRunning(state)) return { now: problem.now, more: "" };
  if (state.paused) return { now: sayPhase(state, "rest"), more: `Paused: ${state.paused.reason}` };
  if (reasonToLetGo(state, problem)) {
    return { now: "Let go: no signal", more: problem?.kind === "signal" ? capital(problem.what) : "Another sensor answers" };
  }
  if (state.stage === "maximum") return maximumInstruction(state);
  if (state.stage !== "plan" || !state.phase) return { now: "", more: "" };
  return {
    now: phaseInstruction(state),
    more:
      trainingText(state, update) || lessonText(state) || [HOW[state.phase.kind], phaseCount(state)].filter(Boolean).join(" "),
  };
}

/**
 * What to do in the running phase: where the band moves in a line, to follow it; a number that runs is not read.
 * @param {State} state
 */
function phaseInstruction(state) {
  const { phase } = state;
  if (!phase) return "";
  if (state.blind) return `${sayPhase(state, phase.kind)}: keep the effort`;
  if (phase.ramp?.length) return `${sayPhase(state, phase.kind)}: follow the band`;
  const aim = phase.steps?.length ? bandText(state.band) : aimText(phase);
  return [sayPhase(state, phase.kind), aim].filter(Boolean).join(" ");
}

/**
 * Between the repeats of a lesson: how the last one was, told after it, so that it can be felt first.
 * @param {State} state
 */
function lessonText({ plan, course, phase }) {
  const last = course?.last;
  if (!plan?.lesson || !course || last?.lesson !== plan.lesson || phase?.kind === "contract") return "";
  const own = course.lessons.find(({ name }) => name === plan.lesson);
  return own ? `Repeat ${own.n}: ${last.said}. ${own.passed ? "Passed" : capital(own.said)}.` : "";
}

/**
 * Of sets to fatigue: how long this one lasts against what is expected, or what the rest is for; "" in other plans.
 * @param {State} state
 * @param {Update | null} update
 */
function trainingText(state, update) {
  const { training, phase } = state;
  if (!training || !phase) return "";
  const expected = training.expected_s === null ? "" : `, about ${durationText(training.expected_s)} expected`;
  if (phase.until === "band lost") {
    const lastedS = Math.max(0, Math.floor(elapsedS(state, update)));
    return Number.isFinite(lastedS) ? `Set ${training.lost_s.length + 1}: ${lastedS} s${expected}. Count aloud.` : "";
  }
  const sets = training.lost_s.map((lost) => (lost === null ? "–" : String(Math.round(lost))));
  const so = sets.length ? `Sets: ${sets.join(", ")} s. Hard today: ${durationText(training.hard_s)}.` : "";
  const next = training.expected_s === null ? "" : `Next set: about ${durationText(training.expected_s)}.`;
  return [so, training.said ? sentence(training.said) : next].filter(Boolean).join(" ");
}

/**
 * What the small line beside the seconds says in place of the share in the band: the athlete's page has no other.
 * @param {State} state
 * @param {Update | null} update
 */
export function smallText(state, update) {
  const { training, course, plan, phase } = state;
  if (training && phase?.until === "band lost") {
    const lastedS = Math.max(0, Math.floor(elapsedS(state, update)));
    const of = training.expected_s === null ? "" : ` of about ${Math.round(training.expected_s)}`;
    return Number.isFinite(lastedS) ? `${lastedS}${of} s. Count aloud.` : "Count aloud.";
  }
  const last = course?.last;
  return last && last.lesson === plan?.lesson && phase?.kind !== "contract" ? `Last: ${last.short}` : "";
}

/**
 * @param {import("./types").Maximum} maximum
 * @param {string} which comes next
 * @param {boolean} isAttempt and no practice push
 */
function betweenAttempts({ verdict }, which, isAttempt) {
  const state = isAttempt ? verdict?.state : "more";
  if (state === "accepted") return { now: "Maximum found", more: "Stay out of the stretch and rest." };
  if (state === "unsettled")
    return { now: "The attempts do not agree", more: "Stay out of the stretch until your coach has decided." };
  return { now: which, more: "Go into the stretch and relax. Start when the athlete is ready." };
}

/** @param {import("./types").State} state */
function maximumInstruction(state, { maximum } = state) {
  const practising = maximum.care?.practising ?? null;
  const ahead = practising ?? (maximum.step === "idle" ? (maximum.care?.next_practice ?? null) : null);
  const which = ahead === null ? `Attempt ${maximum.number}` : `Practice push: ${SHARES[ahead] ?? `${ahead} %`}`;
  switch (maximum.step) {
    case "countdown":
      return { now: "Get ready", more: `${which}. Count aloud through the push.` };
    case "push":
      return practising === null
        ? { now: "Push: build up to all you can", more: `${which}. Count aloud: 3 building up, 3 holding.` }
        : {
            now: `Push with ${SHARES[practising] ?? `${practising} %`} of your strength`,
            more: `${which}. Count aloud. The number must rise.`,
          };
    case "rest":
      return { now: sayPhase(state, "rest"), more: "Out of the stretch. A full rest makes the next attempt count." };
    case "accepted":
      return { now: "Maximum found", more: "" };
    default:
      return betweenAttempts(
        maximum,
        ahead === null ? `${which} of ${Math.max(maximum.n_needed, maximum.number)}` : which,
        ahead === null,
      );
  }
}

/**
 * One line whatever the phase: what may be cut off on a narrow screen stands last.
 * @param {State} state
 */
function phaseCount(state) {
  const count = state.plan?.phases?.length ?? 0;
  const title = state.plan?.title ?? "";
  return count > 1 ? `Part ${(state.plan?.index ?? 0) + 1} of ${count}, ${title}` : capital(title);
}

/**
 * What comes next, in a few words.
 * @param {State | null} state
 */
export function nextText(state) {
  if (!state?.phase) return "";
  if (state.paused) return "Nothing goes on by itself";
  const next = state.next;
  if (!next) return "Then: finished";
  const what = [lowerFirst(sayPhase(state, next.kind)), aimText(next)].filter(Boolean).join(" ");
  return `Then: ${what}, ${durationText(next.duration_s)}`;
}

/**
 * Where the running phase lies in session time, or null.
 * @param {State | null} state
 * @param {Update | null} update
 */
export function phaseSpan(state, update) {
  if (!state?.phase || !state.plan || !update || !Number.isFinite(update.remainingS)) return null;
  const durationS = state.plan.phases[state.plan.index].duration_s;
  const toS = update.timeS + update.remainingS;
  const fromS = state.phase.since_s ?? toS - durationS;
  const band = state.band && state.phase.band;
  return { index: state.plan.index, fromS, toS, band, ...(moves(state.phase) ? { phase: state.phase } : {}) };
}

/**
 * Part of the phase still to go, 0 to 1; NaN when nothing counts.
 * @param {State} state
 * @param {number} remainingS
 */
export function phaseShare(state, remainingS) {
  const durationS = state.plan?.phases?.[state.plan.index]?.duration_s;
  return state.stage === "plan" && durationS ? remainingS / durationS : NaN;
}

/**
 * "4.5, contract, corrected"
 * @param {State} state
 * @param {import("./types").Rating} rating
 */
export function ratingText(state, rating) {
  const said = rating.value === null ? "no answer" : String(rating.value);
  const kind = rating.phase_kind ? nameOfPhase(state, rating.phase_kind) : "";
  return [said, kind, rating.corrected ? "corrected" : ""].filter(Boolean).join(", ");
}

/** Steps of the job with the one that is current, for the header. */
export const STEPS = [
  ["cautions", "Cautions"],
  ["zero", "Zero"],
  ["maximum", "Maximum"],
  ["ready", "Plan"],
  ["plan", "Hold"],
  ["done", "Answer"],
];
