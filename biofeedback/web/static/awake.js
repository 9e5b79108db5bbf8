let awake = null;

/** Keep the screen lit during effort, where the browser can: a dark screen guides nobody. */
export async function keepAwake(on) {
  if (!on && awake) {
    awake.release().catch(() => {});
    awake = null;
  } else if (on && !awake && navigator.wakeLock && !document.hidden) {
    awake = await navigator.wakeLock.request("screen").catch(() => null);
    awake?.addEventListener("release", () => (awake = null));
  }
}
