let wanted = false;
let lock = null;
let asking = false;

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
    lock = given;
    given?.addEventListener("release", () => lock === given && (lock = null));
    if (!wanted) keepAwake(false); // it ended meanwhile
  }
}

document.addEventListener("visibilitychange", () => keepAwake(wanted)); // the browser lets go of it while the page is hidden
