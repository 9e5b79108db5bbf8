// The recordings' page, opened once for all tests of a file, as its parts listen from their first moment on.

import { openPage, settle } from "./page-stand-in.mjs";

export const entry = (name, changes = {}) => ({
  ...{ name, athlete: "A01", exercise: "hamstring", side: "left", position: "box", started_utc: "2026-11-20T18:00:00Z" },
  ...{ duration_s: 220, n_ratings: 11, word: "eased", simulated: false, problem: "", plans: "", covariates: "" },
  ...changes,
});
export const list = {
  entries: [
    entry("one"),
    entry("two", { side: "right", simulated: true, word: "" }),
    entry("three", { athlete: "A02", exercise: "", side: "", position: "", started_utc: "", covariates: "heat" }),
    entry("bad", { athlete: "", exercise: "", side: "", position: "", problem: "it is damaged" }),
  ],
  ...{ live: true, brings: true, formats: ["csv", "numpy"], written: ["two"], here: true, answer_s: 60 },
};
export const PHASES = [
  { number: 1, title: "Let go", band: null, from_s: 10, to_s: 30 },
  { number: 2, title: "Contract", band: [60, 80], from_s: 30, to_s: 50 },
];
export const about = {
  ...{ duration_s: 200, channels: ["force", "emg"], guide: 0, phases: PHASES, written: false },
  ratings: [
    { time_s: 25, value: 6, phase: 1 },
    { time_s: 45, value: null, phase: 2 },
  ],
};
export const TRACE = { from_s: 0, to_s: 200, channels: [0, 1].map(() => ({ low: [1, 2], high: [3, 4] })) };
export const answers = {
  list,
  about: ({ name }) => ({ ...about, written: name === "two", phases: name === "three" ? [] : PHASES }),
  answer: {
    ...{ word: "eased", text: "By 2.5.", details: [["Cycles", "5"]] },
    phases: [{ number: 2, mean_percent: 71.6, in_band_percent: 0 }],
  },
  trace: TRACE,
  "files-to-delete": {
    code: "A01",
    files: [
      { name: "one.hold", n_bytes: 1234567 },
      { name: "one.pdf", n_bytes: 300 },
    ],
  },
  rename: { name: "renamed" },
  delete: { n_files: 2 },
};
export const readQuery = (address) => Object.fromEntries(new URLSearchParams(address.split("?")[1] ?? ""));
export const reply =
  (name) =>
  (address, { body } = {}) => {
    const answer = answers[name];
    return typeof answer === "function" ? answer(body ? JSON.parse(body) : readQuery(address)) : structuredClone(answer);
  };
export const fetches = Object.fromEntries(Object.keys(answers).map((name) => [`/review/${name}`, reply(name)]));
export const review = await openPage("review", { path: "/review", fetches });
export const text = (id) => review.$(id).seen;
export const shows = (...ids) => ids.map((id) => review.$(id).checkVisibility());
export const told = (name) => review.asked.filter(({ address }) => address.split("?")[0] === `/review/${name}`);
export const last = (name) => {
  const { address, body } = told(name).at(-1);
  return body ? JSON.parse(body) : readQuery(address);
};
export const rows = () => review.$("entries").children;
export const later = async (ms = 50) => {
  await settle();
  review.pass(ms);
  await settle();
};
export const open = async (k) => {
  review.press(rows()[k].querySelector("button"));
  await later();
};
export const confused = (words) => () => new Error(words);
