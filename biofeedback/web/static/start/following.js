// The program behind the start place: gone, or gone over to a session that another page began.

import { $, setText, show } from "../shared/dom.js";

const LOOK_MS = 2000;
const GONE = "The program does not answer. Start it again on this computer: biofeedback live. What is typed here stays.";

/** Look around for as long as this page has not ``left`` by itself. */
export function watchProgram(left) {
  setInterval(async () => {
    if (left()) return;
    const answer = await fetch("/start", { method: "HEAD" }).catch(() => null);
    if (answer?.redirected && !left()) location.replace(answer.url);
    setText($("banner-text"), answer ? "" : GONE);
    show($("banner"), !answer && !left());
  }, LOOK_MS);
}
