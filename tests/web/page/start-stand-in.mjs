// The start place, open, with a program behind it that answers as a test says.

import { openPage, settle } from "./page-stand-in.mjs";

export const PORTS = [
  { port: "/dev/ttyX", name: "a board" },
  { port: "/dev/ttyY", name: "n/a" },
];
export const PROFILES = [
  { name: "frame-lines", transport: "serial", title: "lines of our board", channels: "force, N" },
  { name: "frame-udp", transport: "udp", title: "our board by WiFi", channels: "force, N" },
  { name: "frame-radio", transport: "ble", title: "our radio", channels: "force, N" },
];
export const EXERCISES = [
  {
    ...{ name: "hamstring", title: "Standing hamstring stretch", muscle: "hamstrings", position: "heel on a box" },
    ...{ notes: { Strap: "round the ankle" }, drawing: "/static/rig.svg", drawing_text: "The rig", asks: {} },
  },
  {
    name: "own-1",
    title: "My stretch",
    muscle: "calf",
    position: "",
    notes: {},
    drawing: "",
    asks: { force: "Where?", cautions: "When?" },
  },
];

export function about(changes = {}) {
  return {
    ...{ exercises: EXERCISES, cautions: ["Stop on sharp pain."], profiles: PROFILES, check_s: 10, address: "10.0.0.5" },
    ...{ asks: { force: "Where does it push?", cautions: "What stops it?" }, form: { sensor: "", limit: "8" } },
    ...changes,
  };
}

export function card(code, changes = {}) {
  return {
    ...{ code, last: "3 days ago", stretch: "Standing hamstring stretch · left", simulated: false, answer: "", maximum: "" },
    ...{ doubts: [], range: "", due: [], tonight: null, seeking: false, form: { athlete: code, sensor: "simulated" } },
    ...changes,
  };
}

/** mistakes of a form, as the program tells them. */
export const mistakes = (...all) => ({ mistakes: all.map(([field, what, cure]) => ({ field, what, cure })) });

/** program: answers by the last part of the path; asked(path) tells what the page sent there. */
export async function openStart(program = {}, { waitMs = 0 } = {}) {
  const answers = {
    ...{ about: about(), ports: PORTS, athletes: [], write: { source: "serial:X", command: "biofeedback live" } },
    ask: ({ port }) => (port === "/dev/ttyX" ? { board: "board 1A", profile: "frame-lines" } : { board: null, reason: "busy" }),
    ...program,
  };
  const reply =
    (name) =>
    (_, { body } = {}) => {
      const answer = typeof answers[name] === "function" ? answers[name](body ? JSON.parse(body) : null) : answers[name];
      return answer instanceof Promise ? answer : structuredClone(answer);
    };
  const names = [
    "about",
    "ports",
    "ask",
    "athletes",
    "write",
    "radios",
    "check",
    "begin",
    "begin-group",
    "seat",
    "hear",
    "keep",
    "which",
  ];
  names.push("programme", "keep-programme", "trial", "draw-trial");
  const fetches = Object.fromEntries(names.map((name) => [`/start/${name}`, reply(name)]));
  Object.assign(fetches, { "/start": "here", "/coach": "here" });
  const start = await openPage("start", { path: "/start", fetches });
  start.answers = answers;
  start.shows = (id) => start.$(id).checkVisibility();
  start.text = (id) => start.$(id).seen;
  start.told = (name) =>
    start.asked.filter(({ address }) => address === `/start/${name}`).map(({ body }) => body && JSON.parse(body));
  start.last = (name) => start.told(name).at(-1);
  start.wait = async (ms) => {
    await settle();
    start.pass(ms);
    await settle();
  };
  start.choose = (key) => start.press(start.page.querySelectorAll("[name=sensor]").find((input) => input.value === key));
  start.opened = (id) => {
    start.$(id).open = true;
    start.fire(start.$(id), "toggle");
  };
  await start.wait(waitMs);
  await start.wait(400);
  return start;
}
