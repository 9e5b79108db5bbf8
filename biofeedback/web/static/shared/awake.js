let wanted = false;
let lock = null;
let asking = false;
/** What came of the last request: "" before one, "given" or "refused" (a battery saver does that). */
let outcome = "";

export const awakeOutcome = () => outcome;

/** Ask once for real, with the first press: only so is it known that the screen will stay lit. */
export async function tryAwake() {
  if (!navigator.wakeLock || wanted || document.hidden) return;
  const given = await navigator.wakeLock.request("screen").catch(() => null);
  outcome = given ? "given" : "refused";
  given?.release().catch(() => {});
}

/** Keep the screen lit during effort, where the browser can: a dark screen guides nobody. */
export async function keepAwake(on) {
  wanted = on;
  if (!on) {
    lock?.release().catch(() => {});
    lock = null;
  } else if (!lock && !asking && navigator.wakeLock && !document.hidden) {
    asking = true;
    const given = await navigator.wakeLock.request("screen").catch(() => null);
    asking = false;
    outcome = given ? "given" : "refused";
    lock = given;
    given?.addEventListener("release", () => lock === given && (lock = null));
    if (!wanted) keepAwake(false); // it ended meanwhile
  }
}

document.addEventListener("visibilitychange", () => keepAwake(wanted)); // the browser lets go of it while the page is hidden
