// What the page says, as pure functions of the session's state, the newest update and the link. No DOM here.

export const SILENT_S = 0.8; // updates come every 17 ms, heartbeats every 250 ms: this much silence is a lost link
export const LATE_S = 0.6; // an answer that takes longer than this means that what arrives is not "now"
export const LEAD_IN_S = 5; // a contraction is announced this long before it starts

/**
 * Is what we show the present? Two ways to fail: nothing arrives, or everything arrives late (a congested radio link
 * can deliver an unbroken stream of old numbers). Answers come in the same stream as the numbers, so a question that
 * stays unanswered tells how old they are; neither clock needs to be right.
 */
export class Freshness {
  constructor() {
    this.reset();
  }

  reset() {
    this.heardAtS = -Infinity;
    this.question = null;
    this.askedAtS = NaN;
  }

  hear(nowS) {
    this.heardAtS = nowS;
  }

  /** Remember that question number was asked. */
  ask(number, nowS) {
    this.question = number;
    this.askedAtS = nowS;
  }

  /** True if this answers the open question. */
  answer(number) {
    if (number !== this.question) return false;
    this.question = null;
    return true;
  }

  /** "live", "late" or "silent" */
  at(nowS) {
    if (nowS - this.heardAtS > SILENT_S) return "silent";
    return this.question !== null && nowS - this.askedAtS > LATE_S ? "late" : "live";
  }
}

/** How long to wait before the n-th attempt to reconnect (n from 0), in ms: the page must be back within 2 s. */
export function reconnectDelayMs(n) {
  return Math.min(1000, 150 * 2 ** n);
}

/** A count for people: whole percent, and no minus zero. */
export function percentText(value) {
  if (!Number.isFinite(value)) return "–";
  return String(Math.round(value) + 0).replace("-", "−");
}

/** Whole seconds still to go, rounded up so that it reads 0 only at the end; from a minute on m:ss. */
export function timeText(seconds) {
  if (!Number.isFinite(seconds)) return "";
  const whole = Math.max(0, Math.ceil(seconds - 1e-3));
  if (whole < 60) return String(whole);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

/** "60–80 %" */
export function bandText(band) {
  return band ? `${band[0]}–${band[1]} %` : "";
}

/** "3 min 40 s" */
export function durationText(seconds) {
  const whole = Math.round(seconds);
  const minutes = Math.floor(whole / 60);
  const rest = whole % 60;
  if (!minutes) return `${rest} s`;
  return rest ? `${minutes} min ${rest} s` : `${minutes} min`;
}

/** Top of the form's scale in %: fixed for a whole plan, so that the same height always means the same effort. */
export function scaleTop(state) {
  const bands = (state?.plan?.phases ?? []).map((phase) => phase.band).filter(Boolean);
  if (state?.band) bands.push(state.band);
  if (!bands.length) return 110;
  const high = Math.max(...bands.map((band) => band[1]));
  return Math.max(30, 5 * Math.ceil((high * 1.25) / 5));
}

export function guideIndex(state) {
  const index = (state?.channels ?? []).findIndex((channel) => channel.guide);
  return Math.max(0, index);
}

/** Is there an effort under way that Stop must be able to end? */
export function isRunning(state) {
  return state?.stage === "plan" || (state?.stage === "maximum" && ["countdown", "push"].includes(state.maximum.step));
}

/** The one thing that keeps the number from being believed, or null. */
export function trouble(state, update, link) {
  if (link === "connecting") return { kind: "link", what: "Connecting to the session", cure: "" };
  if (link === "silent")
    return { kind: "link", now: "Let go now", what: "This page is disconnected", cure: "Let go now. It reconnects by itself; Stop cannot reach the session until then." };
  if (link === "late") return { kind: "link", now: "Go by feel", what: "The number arrives late", cure: "Go by feel, or move closer to the computer." };
  if (!state || !update) return { kind: "link", what: "Waiting for the session", cure: "" };
  const guide = state.channels[guideIndex(state)];
  const bad = guide?.problem ? guide : state.channels.find((channel) => channel.problem);
  if (guide?.problem) return { kind: "signal", channel: guide.name, ...guide.problem };
  if (update.stale) return { kind: "signal", channel: guide?.name ?? "sensor", what: "signal lost", cure: "Check the cable, the power and the radio link." };
  if (bad) return { kind: "other", channel: bad.name, ...bad.problem };
  return null;
}

const WORDS = { 1: "Push a little more", 2: "Hold it here", 3: "Ease off a little" };
const BAND_NAMES = { 0: "none", 1: "below", 2: "in", 3: "above" };

/** What the form shows: mode is lost | uncalibrated | free | target | timer. */
export function formView(state, update, problem, push = null) {
  const top = scaleTop(state);
  const band = state?.band ?? null;
  const ghost = !band && state?.stage === "plan" ? (state.next?.band ?? null) : null;
  const base = { top, band, ghost, percent: NaN, bandState: "none", number: "–", unit: "", word: "", inBandShare: NaN };
  if (!state || !update || problem?.kind === "link") return { ...base, mode: "lost", word: "Not live" };
  if (state.stage === "maximum" && ["countdown", "push", "rest"].includes(state.maximum.step)) {
    if (state.maximum.step === "push" && push && !problem && state.feedback !== false) return pushView(state, update, push, base);
    const word = { countdown: "Get ready", push: "Push", rest: "Rest" }[state.maximum.step];
    return { ...base, mode: "timer", band: null, number: timeText(update.remainingS) || "–", unit: "s", word };
  }
  if (problem?.kind === "signal") return { ...base, mode: "lost", word: capital(problem.what) };
  if (state.stage === "maximum") return attemptView(state.maximum, base);
  const guide = state.channels[guideIndex(state)];
  if (guide && !guide.calibrated) return { ...base, mode: "uncalibrated", word: "Not calibrated" };
  const percent = update.percent[guideIndex(state)];
  if (!Number.isFinite(percent)) return { ...base, mode: "lost", word: "No reading" };
  const bandState = BAND_NAMES[update.bandState] ?? "none";
  return {
    ...base,
    mode: band ? "target" : "free",
    percent,
    bandState,
    number: percentText(percent),
    unit: "%",
    word: WORDS[update.bandState] ?? restWord(state, update.remainingS),
    inBandShare: update.countedS > 0 ? update.inBandS / update.countedS : NaN,
  };
}

/** During an attempt: the force above rest, on a scale that the best so far sets. push: {now, best} in the sensor's unit. */
function pushView(state, update, push, base) {
  const before = state.maximum.attempts.filter((attempt) => attempt.accepted && !attempt.rejected).map((attempt) => attempt.value);
  const top = 1.15 * Math.max(1e-9, push.best, ...before);
  const ghost = before.length ? [Math.max(...before)] : null;
  const word = `Push: ${timeText(update.remainingS)}`;
  return { ...base, mode: "free", band: null, top, ghost, percent: push.now, number: percentText(push.now), unit: state.maximum.unit, word };
}

/** Between attempts: the last one, large enough to be read from the mat. */
function attemptView(maximum, base) {
  const last = maximum.attempts.at(-1);
  if (!last) return { ...base, mode: "timer", band: null, number: "", word: "Ready when you are" };
  const word = last.accepted && !last.rejected ? `Attempt ${last.number} counts` : `Attempt ${last.number} does not count`;
  return { ...base, mode: "timer", band: null, number: percentText(last.value), unit: last.unit, word };
}

function restWord(state, remainingS) {
  if (state.phase && state.phase.kind !== "contract") {
    return state.next?.band && remainingS <= LEAD_IN_S ? `Contract in ${timeText(remainingS)}` : "Let go";
  }
  return state.band ? "Build up gently" : "";
}

/** Calibrated channels beside the one that guides: "emg 64 %". */
export function otherEfforts(state, update, view) {
  if (!["target", "free"].includes(view.mode) || state.stage !== "plan") return [];
  const guide = guideIndex(state);
  return state.channels.flatMap((channel, k) => (k !== guide && !channel.beside && channel.calibrated && channel.kind !== "position" ? [`${channel.name} ${channel.problem ? "–" : percentText(update.percent[k])} %`] : []));
}

/** Headline and the line under it: what to do now. On a broken link the last instruction may be over long since. */
export function instruction(state, problem = null) {
  if (!state) return { now: "Connecting", more: "" };
  if (problem?.now && isRunning(state)) return { now: problem.now, more: "" };
  if (state.stage === "maximum") return maximumInstruction(state.maximum);
  if (state.stage === "plan" && state.phase) {
    const [doing, how] = { contract: ["Contract", ""], passive: ["Let go", "stay in position"], rest: ["Rest", "come out of the position"] }[state.phase.kind] ?? [state.phase.title, ""];
    return { now: state.phase.band ? `${doing} ${bandText(state.phase.band)}` : doing, more: phaseCount(state, how) };
  }
  return { now: "", more: "" };
}

function maximumInstruction(maximum) {
  const practising = maximum.care?.practising ?? null;
  const which = practising === null ? `Attempt ${maximum.number}` : `Practice, felt ${practising} %`;
  switch (maximum.step) {
    case "countdown":
      return { now: "Get ready", more: `${which}. Count aloud through the push.` };
    case "push":
      return practising === null
        ? { now: "Push as hard as you can", more: `${which}. Count aloud: 3 building up, 3 holding.` }
        : { now: `Push with ${practising} %`, more: `${which}. Count aloud. It must rise.` };
    case "rest":
      return { now: "Come out and rest", more: "Out of the stretch. A full rest makes the next attempt count." };
    case "accepted":
      return { now: "Maximum found", more: "" };
    default:
      return { now: `${which} of ${Math.max(maximum.n_needed, maximum.number)}`, more: "In the position of the stretch, letting go. Start when the athlete is ready." };
  }
}

/** One line whatever the phase: what may be cut off on a narrow screen stands last. */
function phaseCount(state, how) {
  const count = state.plan?.phases?.length ?? 0;
  const what = how || (state.plan?.title ?? "");
  return count > 1 ? `Part ${state.plan.index + 1} of ${count}, ${what}` : capital(what);
}

/** What comes next, in a few words. */
export function nextText(state) {
  if (!state?.phase) return "";
  const next = state.next;
  if (!next) return "Then: finished";
  const what = { contract: "contract", passive: "let go", rest: "rest" }[next.kind] ?? next.title;
  return `Then: ${[what, bandText(next.band)].filter(Boolean).join(" ")}, ${durationText(next.duration_s)}`;
}

/** Where the running phase lies in session time, or null. */
export function phaseSpan(state, update) {
  if (!state?.phase || !Number.isFinite(update?.remainingS)) return null;
  const durationS = state.plan.phases[state.plan.index].duration_s;
  const toS = update.timeS + update.remainingS;
  return { index: state.plan.index, fromS: toS - durationS, toS, band: state.band };
}

/** A measured value with about three significant digits. */
export function levelText(value) {
  if (!Number.isFinite(value)) return "–";
  const size = Math.abs(value);
  return value.toFixed(size >= 100 ? 0 : size >= 10 ? 1 : 2).replace("-", "−");
}

/** Mean of the levels of a ring over [from, to), unknown ones left out; NaN if there are none. */
export function meanLevel(ring, from, to) {
  let sum = 0;
  let n = 0;
  for (let level = Math.max(0, from); level < to; level++) {
    const value = ring.at(level);
    if (Number.isFinite(value)) {
      sum += value;
      n += 1;
    }
  }
  return n ? sum / n : NaN;
}

/**
 * Follows one attempt: rest is the mean of the last second of the countdown, best the highest since the push began.
 * memory and the result: {number, rest, best, now} or null outside an attempt.
 */
export function followPush(memory, state, ring, levelRateHz) {
  const maximum = state?.maximum;
  if (state?.stage !== "maximum" || maximum?.step !== "push") return null;
  const now = ring.at(ring.end - 1);
  const fresh = memory === null || memory.number !== maximum.number;
  const rest = fresh ? meanLevel(ring, ring.end - Math.round(levelRateHz), ring.end) : memory.rest;
  if (!Number.isFinite(now) || !Number.isFinite(rest)) return fresh ? null : { ...memory, now: NaN };
  return { number: maximum.number, rest, now: now - rest, best: Math.max(fresh ? 0 : memory.best, now - rest) };
}

/** "4.5 contracting, corrected" */
export function ratingText(rating) {
  const when = { contract: " contracting", passive: " letting go", rest: " resting" }[rating.phase_kind] ?? "";
  return `${rating.value === null ? "no answer" : rating.value}${when}${rating.corrected ? ", corrected" : ""}`;
}

export function capital(text) {
  return text ? text[0].toUpperCase() + text.slice(1) : "";
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
