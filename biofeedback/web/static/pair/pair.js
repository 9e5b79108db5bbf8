// Exchanges a one-time code for the right to see the session.

import { $, setText } from "../shared/dom.js";

async function join(code) {
  setText($("told"), "");
  try {
    const answer = await fetch("/pair", { method: "POST", body: code });
    const told = await answer.json();
    if (answer.ok) location.replace(told.place);
    else setText($("told"), `${told.what[0].toUpperCase()}${told.what.slice(1)}; ${told.cure}.`);
  } catch {
    setText($("told"), "The session does not answer; check that this device is on the same network.");
  }
}

$("pairing").addEventListener("submit", (event) => {
  event.preventDefault();
  if ($("code").value.trim()) join($("code").value);
});
const given = location.hash.slice(1);
if (given) {
  history.replaceState(null, "", "/pair"); // the code is used up; it should not stay in the history
  $("code").value = given;
  join(given);
}
document.documentElement.dataset.arrived = "yes";
