// The one thing worth saying over the page: trouble, a question to the coach, a refusal.

import { sentence } from "../shared/text.js";
import { capital } from "../shared/words.js";

/** @typedef {import("../shared/show-banner.js").Banner} Banner */

/**
 * @param {import("../shared/types").Trouble | null} problem
 * @param {import("../shared/types").State | null} state
 * @param {{what: string, cure: string} | null} complaint
 * @param {boolean} mayAct whether this page may answer a question to the coach
 * @returns {Banner | null}
 */
export function findBanner(problem, state, complaint, mayAct) {
  const message = state?.message ? { ...state.message, what: sentence(state.message.text) } : null;
  const refused = complaint && { level: "error", what: sentence(complaint.what), cure: complaint.cure };
  if (message?.actions && mayAct && problem?.kind !== "link") return refused ?? message; // it waits for an answer, whatever else there is
  if (problem) {
    const what = problem.channel ? `${capital(problem.channel)}: ${problem.what}.` : `${problem.what}.`;
    return { level: "error", what, cure: problem.cure };
  }
  const unsafe = state?.recording?.problem;
  if (unsafe) {
    const told = typeof unsafe === "string" ? { what: unsafe, cure: "" } : unsafe;
    return { level: "error", what: sentence(`Recording: ${told.what}`), cure: told.cure };
  }
  if (refused) return refused;
  const offset = state?.position_offset;
  if (offset && ["drifted", "lost"].includes(offset.state)) {
    return { level: "error", what: `Position ${offset.state} in part ${offset.phase_index + 1}.`, cure: offset.reason };
  }
  return message;
}
