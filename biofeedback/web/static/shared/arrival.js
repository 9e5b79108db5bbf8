/* Stands in every page itself, first of all: when the program ends while the page's scripts and styles are on their way,
   nothing else would tell, and nothing would try again. No module: it runs before anything else is there. */
{
  const AGAIN_MS = 1000;
  const LONGEST_MS = 15000;
  const PATIENCE_MS = 10000; /* for what neither comes nor fails */
  const TRIES = "arrival-tries"; /* of this tab: what is missing for good is not asked for every second */
  const tries = Number(sessionStorage.getItem(TRIES) ?? 0);
  /** @type {HTMLElement | null} */
  let line = null;
  let isMissed = false;

  /** @param {string} what @param {string} cure */
  const tell = (what, cure) => {
    const title = document.querySelector("[data-arriving]");
    if (title) title.textContent = what;
    if (!line) {
      line = document.createElement("p");
      line.id = "not-arrived";
      line.className = "lead";
      line.setAttribute("role", "alert");
      (title?.parentElement ?? document.querySelector("main") ?? document.body).prepend(line);
      title?.after(line);
    }
    line.textContent = title ? cure : `${what}. ${cure}`;
  };

  const lookAgain = async () => {
    try {
      const answer = await fetch(location.href, { redirect: "manual", cache: "no-store" });
      if (answer.ok || answer.type === "opaqueredirect") {
        location.reload();
        return;
      }
      tell("The program does not let this page in", "Open the address that it shows in its terminal.");
    } catch {
      tell("The program does not answer", "Is it still running on its computer? This page tries again by itself.");
    }
    setTimeout(lookAgain, AGAIN_MS);
  };

  const miss = () => {
    if (isMissed) return;
    isMissed = true;
    sessionStorage.setItem(TRIES, String(tries + 1));
    const begin = () => {
      tell("Not all of this page has come", "It is loaded again by itself.");
      setTimeout(lookAgain, Math.min(LONGEST_MS, AGAIN_MS * 2 ** tries));
    };
    if (document.readyState === "loading") document.addEventListener("DOMContentLoaded", begin);
    else begin();
  };

  const hasArrived = () => document.documentElement.dataset.arrived === "yes";
  const isPart = (/** @type {EventTarget | null} */ it) => it instanceof HTMLScriptElement || it instanceof HTMLLinkElement;
  window.addEventListener("error", (event) => isPart(event.target) && miss(), { capture: true });
  setTimeout(() => hasArrived() || miss(), PATIENCE_MS * (1 + tries));
  window.addEventListener("load", () => {
    if (hasArrived() && !isMissed) sessionStorage.removeItem(TRIES);
    else if (!hasArrived()) setTimeout(() => hasArrived() || miss(), AGAIN_MS);
  });
}
