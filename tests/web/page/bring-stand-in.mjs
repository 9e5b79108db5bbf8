// The page that brings a file, with a program behind it that answers as a test says.

import { openPage, settle } from "./page-stand-in.mjs";

export const COLUMNS = [
  { name: "time", unit: "s", kind: "", n_readings: 0 },
  {
    name: "Kraft",
    unit: "kg",
    kind: "force",
    factor: 2,
    rate_hz: 80,
    n_readings: 12345,
    low: -0.5,
    high: 41.23456,
    first: [1, 2.5],
  },
  { name: "EMG", unit: "uV", kind: "emg", envelope: true, rate_hz: 1000, n_readings: 5, low: 0, high: 9, first: [0] },
  { name: "note", unit: "", kind: "", n_readings: 0 },
];
export const TOLD = {
  ...{
    problem: null,
    summary: "A table of 2 channels",
    columns: COLUMNS,
    time: "time",
    head: [
      ["time", "Kraft"],
      ["0", "1"],
    ],
    remarks: [],
  },
  ...{ guide: "Kraft", duration_s: 60.456, phases: [], n_ratings: 0, has_zero: false, maxima: [] },
};
export const DRAWN = { from_s: 0, to_s: 60, channels: [{ name: "Kraft", unit: "kg", low: [0, null, 10], high: [5, null, 20] }] };

export async function openBring(answers = {}) {
  const told = { file: { id: "F1" }, look: TOLD, draw: DRAWN, ...answers };
  const fetches = {};
  for (const name of ["file", "look", "draw", "take"]) {
    fetches[`/bring/${name}`] = (address, { body } = {}) => {
      const answer =
        typeof told[name] === "function" ? told[name](typeof body === "string" ? JSON.parse(body) : null, address) : told[name];
      return answer instanceof Error || answer instanceof Promise ? answer : structuredClone(answer);
    };
  }
  const bring = await openPage("bring", { path: "/review/bring", fetches });
  bring.answers = told;
  bring.text = (id) => bring.$(id).seen;
  bring.shows = (...ids) => ids.map((id) => bring.$(id).checkVisibility());
  bring.orders = (name) =>
    bring.asked.filter(({ address }) => address.includes(`/bring/${name}`)).map(({ body }) => JSON.parse(body));
  bring.last = (name) => bring.orders(name).at(-1);
  bring.choose = async (id, ...names) => {
    bring.$(id).files = names.map((name) => ({ name }));
    bring.fire(bring.$(id), "change");
    await bring.later();
  };
  bring.later = async () => {
    await settle();
    bring.pass(20);
    await settle();
  };
  return bring;
}

export async function openTable(answers) {
  const bring = await openBring(answers);
  await bring.choose("table", "run.csv");
  return bring;
}

export const marksOf = (bring) => bring.$("trace").context;
