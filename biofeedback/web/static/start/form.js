// What the start place says, without a DOM: choices to forms and back, findings and mistakes to words.

import { capital } from "../shared/words.js";

export const COLUMN_KINDS = [
  ["", "choose …"],
  ["force", "force"],
  ["emg", "muscle activity (EMG)"],
  ["position", "position"],
  ["t_ms", "time, ms"],
  ["t_us", "time, µs"],
  ["seq", "running number"],
  ["-", "not used"],
];
const UNITS = { force: "", emg: "uV", position: "deg" }; // a force's unit is asked, never assumed
const FORCE_UNITS = { N: "newtons", kg: "kilograms", g: "grams", lb: "pounds", count: "its own numbers, to be scaled" };
/** What converters count, first and last, as whoever built the board knows it. */
export const RAILS = [
  ["0 to 1023", "10 bit"],
  ["0 to 4095", "12 bit"],
  ["0 to 65535", "16 bit"],
  ["-32768 to 32767", "16 bit, both signs"],
  ["-8388608 to 8388607", "24 bit, both signs"],
];
export const NO_RADIO =
  "No Bluetooth sensor with a known profile is in range. " +
  "Switch it on, bring it nearer, disconnect it from other devices, and look again.";
const SENSOR_FIELDS = [
  "sensor",
  "radio",
  "port",
  "udp",
  "url",
  "profile",
  "columns",
  "baud",
  "rate",
  "key",
  "lines",
  "decimal",
  "simulated",
  "seed",
];
export const isMeasured = (kind) => kind in UNITS;

/** What a form says of the sensor, which the room has and not the athlete. */
export function sensorOf(form) {
  return Object.fromEntries(SENSOR_FIELDS.map((name) => [name, form[name]]));
}

/** A new row of the table of columns. */
export function newColumn(kind = "force") {
  return { kind, side: "", unit: UNITS[kind] ?? "", factor: "", rails: "", envelope: false };
}

/** Another kind: its usual unit, unless another one was typed. */
export function changeKind(column, kind) {
  const usual = column.unit === (UNITS[column.kind] ?? "");
  return { ...column, kind, unit: usual ? (UNITS[kind] ?? "") : column.unit, envelope: kind === "emg" && column.envelope };
}

/** The profiles that fit a sensor: of ports, or those that a radio's device advertises. */
export function fittingProfiles(profiles, form, radios) {
  if (form.sensor === "port") return profiles.filter((profile) => profile.transport === "serial");
  if (form.sensor === "udp") return profiles.filter((profile) => profile.transport === "udp");
  const offered = radios.find((radio) => radio.radio === form.radio)?.profiles;
  return profiles.filter((profile) => profile.transport === "ble" && (!offered || offered.includes(profile.name)));
}

/** One list of all that can be chosen: {key, title, note, form} with what choosing it means. */
export function listSensors(ports, radios, asked, form) {
  const found = ports.map(({ port, name }) => {
    const about = asked[port];
    const told = !about ? "asking …" : (about.board ?? about.reason);
    const note = [name === "n/a" ? "" : name, told].filter(Boolean).join(" · ");
    return {
      key: `port:${port}`,
      title: port,
      note,
      form: { sensor: "port", port, ...(about?.board ? { profile: about.profile } : {}) },
    };
  });
  const kept =
    form.sensor === "radio" && form.radio && !radios.some(({ radio }) => radio === form.radio)
      ? [{ radio: form.radio, dbm: null, profiles: [form.profile] }]
      : [];
  const near = [...radios, ...kept].map(({ radio, title, dbm, profiles }) => ({
    key: `radio:${radio}`,
    title: title ?? radio,
    note: dbm === null ? "Bluetooth, as last time" : `Bluetooth, ${String(dbm).replace("-", "−")} dBm`,
    form: { sensor: "radio", radio, profile: profiles[0] },
  }));
  return [
    ...found,
    ...near,
    {
      key: "port:",
      title: "Another port",
      note: "type its name",
      form: { sensor: "port", port: ports.some(({ port }) => port === form.port) ? "" : (form.port ?? "") },
    },
    { key: "udp", title: "A board on the WiFi", note: "sends its lines to this computer (UDP)", form: { sensor: "udp" } },
    {
      key: "felt",
      title: "No sensor tonight",
      note: "the same plans and ratings; effort is what the athlete says",
      form: { sensor: "felt" },
    },
    { key: "simulated", title: "Simulated athlete", note: "computed: no person is measured", form: { sensor: "simulated" } },
    {
      key: "url",
      title: "A source as on the command line",
      note: "a replay, two sensors, a port in the network",
      form: { sensor: "url" },
    },
  ];
}

/** Sensors of one kind of which nobody can see which is which: radios of one profile, or ports with boards of ours. */
export function alike(list, key) {
  const chosen = list.find((one) => one.key === key)?.form;
  const same = list.filter(({ form }) => form.profile && form.sensor === chosen?.sensor && form.profile === chosen.profile);
  return same.length > 1 ? same : [];
}

/** Which entry of that list a form means; "" for none. */
export function chosenKey(form, ports) {
  if (form.sensor === "port") return ports.some(({ port }) => port === form.port) ? `port:${form.port}` : "port:";
  if (form.sensor === "radio") return `radio:${form.radio}`;
  return form.sensor ?? "";
}

/** The verdict over findings in one sentence. */
export function verdictText(findings) {
  const n = (state) => findings.filter((finding) => finding.state === state).length;
  if (n("bad")) return "Not fit for use yet. What to do:";
  if (n("look")) return "It can be used; look at this first:";
  return "Fit for use: nothing stands out.";
}

/** Findings in the order to deal with them. */
export function orderFindings(findings) {
  const order = { bad: 0, look: 1, good: 2 };
  return [...findings].sort((a, b) => order[a.state] - order[b.state]);
}

export function mistakeText({ what, cure }) {
  return `${capital(what)}${cure ? `: ${cure}` : ""}.`;
}

/** Covariates: the ticked ones, and what else was typed. */
export function beforeOf(ticked, other) {
  return [
    ...ticked,
    ...other
      .split(",")
      .map((text) => text.trim())
      .filter(Boolean),
  ];
}

/** The row of the table that describes a channel of that name: kind, side, and a number where a name came before. */
export function columnOfChannel(rows, channel) {
  const taken = [];
  for (const row of rows) {
    const stem = row.side ? `${row.kind}_${row.side}` : row.kind;
    let name = stem;
    for (let number = 2; taken.includes(name); number += 1) name = `${stem}_${number}`;
    taken.push(name);
    if (name === channel) return row;
  }
  return null;
}

/** Rows of the table for what was heard: kind and unit where the lines say them; what was typed before stays. */
export function rowsOf(heard, rows) {
  const one = heard.filter(({ kind }) => kind === "" || isMeasured(kind)).length === 1;
  return heard.map(({ kind, unit }, k) => {
    const typed = rows.length === heard.length ? rows[k] : null;
    const told = kind || (one ? "force" : "");
    const row = typed && (typed.kind === told || !kind) && typed.kind ? typed : newColumn(told);
    const said = told === "force" && unit in FORCE_UNITS ? unit : row.unit;
    return { ...row, unit: said };
  });
}

/** What a column of a line is, in words. */
export function columnWords(number, columns) {
  const { label, kind, unit, value, role } = columns[number - 1];
  const what = kind === "seq" ? "counts up" : role === "time" ? "a time" : "";
  return [`column ${number}`, label && `“${label}”`, unit ? `${value} ${unit}` : value, what].filter(Boolean).join(" · ");
}

/** What was understood of the lines, in a sentence. */
export function hearText({ layout, problem, prompt, texts, waits, readings, n_lines, n_odd }) {
  if (waits) return `It says “${prompt || texts.at(-1)}” and waits.`;
  if (readings.length) return "Its comma can be read in two ways. Which is right?";
  if (!layout) return `${capital(problem)}. This is what came:`;
  const odd = n_odd ? ` ${n_odd} of ${n_lines} lines do not fit.` : "";
  return `This is how its last line is read; put right below what is wrong.${odd}`;
}

/** Forces whose unit is not known: the row (from 0), its number, and what its reading would be in each unit. */
export function askedUnits(rows, heard) {
  if (rows.length !== heard.length) return [];
  return rows.flatMap(({ kind, unit }, row) => {
    if (kind !== "force" || unit) return [];
    const offers = Object.entries(FORCE_UNITS).map(([key, name]) => ({
      unit: key,
      words: key === "count" ? capital(name) : `${heard[row].value} ${name}`,
    }));
    return [{ row, number: row + 1, offers }];
  });
}
