// What the session tells a page (session/view.py, layout.py), and what modules of the page hand to one another.

export type Kind = "force" | "emg" | "position" | "rating" | "gravity";
export type BandState = "none" | "below" | "in" | "above" | "pushing";
export type Send = (message: { do: string; [field: string]: unknown }) => boolean;

export interface Problem {
  doubt?: boolean;
  what: string;
  cure: string;
}
export interface PhaseMeaning {
  say: string;
  short: string;
  contracts: boolean;
  relaxes: boolean;
  in_position: boolean;
}
export interface StopReason {
  say: string;
  caution: string;
  may_go_on: boolean;
}
export interface Words {
  phase: Record<string, PhaseMeaning>;
  count: string[];
  stop_reasons: Record<string, StopReason>;
  effort?: { question: string; ends: string };
  scale: { question: string; low_label: string; high_label: string; ends: string; asks_about: string; aloud: string };
}
export interface Channel {
  name: string;
  kind: Kind;
  unit: string;
  calibrated: boolean;
  guide: boolean;
  beside: boolean;
  can_guide: boolean;
  problem: Problem | null;
  limits?: { warn: number; fail: number; text: string } | null;
  in_use?: any;
}
export interface Phase {
  index: number;
  kind: string;
  title: string;
  duration_s: number;
  band: [number, number] | null;
  felt?: number | null;
  ramp?: [number, number][];
  steps?: [number, number][];
  blind?: [number, number][];
  until?: string;
  since_s?: number;
}
/** Lessons: how far each has come, which is next, and how the last repeat was. */
export interface Course {
  next: string;
  last: { lesson: string; said: string; short: string } | null;
  check_again: boolean;
  lessons: { name: string; title: string; n: number; passed: boolean; said: string }[];
}
/** Sets to fatigue: what is expected of this or the next one, times so far, hard seconds today. */
export interface Training {
  expected_s: number | null;
  source: string;
  lost_s: (number | null)[];
  hard_s: number;
  said: string;
  held_back?: Early | null;
}
/** A set that would be wasted before `over_s` of the session; `why_not`: why nobody may insist on it. */
export interface Early {
  what: string;
  over_s: number;
  why_not: string;
}
export interface Attempt {
  number: number;
  value: number;
  unit: string;
  accepted: boolean;
  reason: string;
  rejected: string | null;
}
export interface Maximum {
  step: "idle" | "countdown" | "push" | "rest" | "accepted";
  number: number;
  n_needed: number;
  push_s?: number;
  attempts: Attempt[];
  verdict: { state: string; text: string } | null;
  care?: any;
  sense?: { what: string; cure: string } | null;
  strength: number | null;
  method?: string;
  warnings?: string[];
  unit: string;
}
export interface Rating {
  number: number;
  value: number | null;
  time_s: number;
  phase_kind: string | null;
  corrected: boolean;
  ask_id?: number | null;
}
export interface Message {
  level: string;
  text: string;
  cure?: string;
  actions?: { title: string; command: { do: string } }[];
}
export interface State {
  athlete: string;
  simulated: boolean;
  fast: boolean;
  exercise: string;
  side: string;
  position: string;
  stage: "cautions" | "zero" | "maximum" | "ready" | "plan" | "done";
  words?: Partial<Words>;
  cautions: string[];
  channels: Channel[];
  zero: { state: "idle" | "running" | "done"; results: Record<string, { level: number; sd: number }> };
  maximum: Maximum;
  plans: { name: string; title: string; description: string; duration_s: number }[];
  plan: { title: string; index: number; phases: Phase[]; lesson?: string } | null;
  phase: Phase | null;
  next: Phase | null;
  band: [number, number] | null;
  blind?: boolean;
  training?: Training | null;
  course?: Course;
  ask: { id: number; text: string; said?: number | null } | null;
  by_feel?: boolean;
  ask_effort?: { phase_index: number } | null;
  ask_position: { phase_index: number } | null;
  position_offset: { phase_index: number; state: string; reason: string } | null;
  doubts: any[];
  ratings: Rating[];
  limit: number | null;
  feedback: boolean;
  level_rate_hz: number;
  message: Message | null;
  stopped: { reason: string; why?: string } | null;
  paused?: { reason: string; phase_index: number } | null;
  answer: any;
  report_url: string | null;
  recording: { file: string; problem: Problem | string | null } | null;
  asked?: any;
  plan_ran?: boolean;
  [more: string]: any;
}
/** One decoded update; NaN: not known. */
export interface Update {
  bandState: number;
  besideState: number;
  stale: boolean;
  revision: number;
  timeS: number;
  level: number;
  remainingS: number;
  inBandS: number;
  countedS: number;
  firstLevel: number;
  channels: number;
  rows: number;
  percent: number[];
  strip: Float32Array;
  levels: Float32Array;
}
export type LinkStatus = "connecting" | "absent" | "live" | "late" | "silent";
/** Why the number is not to be believed. now: what to do at once, where it is urgent. */
export interface Trouble {
  kind: "link" | "signal" | "other";
  what: string;
  cure: string;
  now?: string;
  channel?: string;
}
export interface Push {
  number: number;
  rest: number;
  best: number;
  now: number;
}
/** What a gauge shows. top: the end of its scale; ghost: edges of what comes next. */
export interface View {
  mode: "lost" | "uncalibrated" | "free" | "target" | "timer";
  top: number;
  band: [number, number] | null;
  ghost: number[] | null;
  percent: number;
  bandState: BandState;
  number: string;
  unit: string;
  word: string;
  inBandShare: number;
}
export type Colors = Record<string, string>;
/** Elements of a seat by their data-part; what a page does not have is not drawn there. */
export type Parts = Record<string, any>;
