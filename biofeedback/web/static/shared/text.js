// Numbers, times and bands as people read them. Pure.

/**
 * A count for people: whole percent, and no minus zero.
 * @param {number} value
 */
export function percentText(value) {
  if (!Number.isFinite(value)) return "–";
  return String(Math.round(value) + 0).replace("-", "−");
}

/**
 * Whole seconds still to go, rounded up so that it reads 0 only at the end; from a minute on m:ss.
 * @param {number} seconds
 */
export function timeText(seconds) {
  if (!Number.isFinite(seconds)) return "";
  const whole = Math.max(0, Math.ceil(seconds - 1e-3));
  if (whole < 60) return String(whole);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

/**
 * Time left, always as m:ss.
 * @param {number} seconds
 */
export function clockText(seconds) {
  const whole = Math.max(0, Math.ceil(seconds));
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

/**
 * "60–80 %"
 * @param {[number, number] | null | undefined} band
 */
export function bandText(band) {
  return band ? `${band[0]}–${band[1]} %` : "";
}

/**
 * What a contraction aims at: "60–80 %", or "felt 2 of 10" where it goes by feeling.
 * @param {{band?: [number, number] | null, felt?: number | null} | null | undefined} phase
 */
export function aimText(phase) {
  return phase?.felt === undefined || phase.felt === null ? bandText(phase?.band) : `felt ${phase.felt} of 10`;
}

/**
 * "3 min 40 s"
 * @param {number} seconds
 */
export function durationText(seconds) {
  const whole = Math.round(seconds);
  const minutes = Math.floor(whole / 60);
  const rest = whole % 60;
  if (!minutes) return `${rest} s`;
  return rest ? `${minutes} min ${rest} s` : `${minutes} min`;
}

/**
 * A measured value with about three significant digits.
 * @param {number} value
 */
export function levelText(value) {
  if (!Number.isFinite(value)) return "–";
  const size = Math.abs(value);
  return value.toFixed(size >= 100 ? 0 : size >= 10 ? 1 : 2).replace("-", "−");
}

/**
 * A unit as people write it; files and commands keep their own spelling.
 * @param {string} unit
 */
export function unitText(unit) {
  return unit === "uV" ? "µV" : unit;
}

/**
 * A sentence of its own: capital first, a stop last.
 * @param {string | null | undefined} text
 */
export function sentence(text) {
  return text ? text[0].toUpperCase() + text.slice(1) + (/[.!?]$/.test(text) ? "" : ".") : "";
}
