// Several sensors that look alike: pull or shake the one that is meant, and it is chosen.

import { $, setText, show } from "../shared/dom.js";
import { alike, chosenKey, listSensors, mistakeText } from "./form.js";
import { call } from "./program.js";

/** page: the start place's state; choose(form): take that sensor; setBusy(busy). */
export function telling({ page, choose, setBusy }) {
  const find = () => alike(listSensors(page.ports, page.radios, page.asked, page.form), chosenKey(page.form, page.ports));

  async function tell() {
    const same = find();
    const checkS = page.about.check_s;
    const untilMs = performance.now() + 1000 * checkS;
    const count = () => {
      const left = Math.ceil((untilMs - performance.now()) / 1000);
      const doing = left > checkS - 2 ? "Leave all still" : "Now pull or shake the one that is meant";
      setText($("apart"), left > 0 ? `${doing}: about ${left} s …` : "Looking …");
    };
    setBusy(true);
    count();
    const timer = setInterval(count, 250);
    try {
      const { which, failed } = await call("/start/which", { forms: same.map(({ form }) => form) });
      if (which !== null) choose(same[which].form);
      const said = which === null ? "None of them stands out. Try again, and move only one." : `It is ${same[which].title}.`;
      setText($("apart"), [said, ...failed].join(" "));
    } catch ({ mistakes }) {
      setText($("apart"), mistakeText(mistakes[0]));
    } finally {
      clearInterval(timer);
      setBusy(false);
    }
  }

  $("which").addEventListener("click", tell);
  return { draw: () => show($("which"), find().length > 1) };
}
