// Which calibration turns a channel's counts into effort, in words for the coach. Pure, no DOM.

import { levelText, unitText } from "../shared/text.js";

const METHODS = {
  attempts: "measured",
  typed: "typed from a display",
  carried: "carried over",
  revised: "revised after later evidence",
};

/** "certificate of S1, 2026-11-20", "0.0042 N per count, given with the source" or "raw counts". */
export function scaleText({ scale, factor }, unit) {
  if (scale) return `certificate of ${scale.sensor}, ${scale.utc.slice(0, 10) || "no date"}`;
  if (factor === null) return "raw counts: no unit";
  return `${Number(factor.toPrecision(4))} ${unitText(unit)} per count, given with the source; no certificate`;
}

/** How old a zero is; timeS: session time now. */
export function zeroText({ zeroed_s }, timeS) {
  if (zeroed_s === null || zeroed_s === undefined) return "none yet";
  const minutes = Math.floor((timeS - zeroed_s) / 60);
  if (!(minutes >= 1)) return "less than a minute old";
  return minutes < 60 ? `${minutes} min old` : `${Math.floor(minutes / 60)} h ${minutes % 60} min old`;
}

/** Value, where it is from and when it was taken, as this computer's clock would have said it. */
export function maximumText({ maximum }) {
  if (!maximum) return "none yet";
  const how = METHODS[maximum.method] ?? maximum.method;
  const count = maximum.method === "attempts" && maximum.n_attempts ? `, best of ${maximum.n_attempts}` : "";
  return `${levelText(maximum.strength)} ${unitText(maximum.unit)}, ${how}${count}${maximum.utc ? `, ${whenText(maximum.utc)}` : ""}`;
}

/** "2026-11-25 18:04" in local time; what is no date stays as it is. */
export function whenText(utc) {
  const time = new Date(/Z$|[+-]\d\d:\d\d$/.test(utc) ? utc : `${utc}Z`);
  if (Number.isNaN(time.getTime())) return utc;
  const two = (value) => String(value).padStart(2, "0");
  const day = `${time.getFullYear()}-${two(time.getMonth() + 1)}-${two(time.getDate())}`;
  return utc.length > 10 ? `${day} ${two(time.getHours())}:${two(time.getMinutes())}` : day;
}
