// What the chosen stretch is, below its field: notes, cautions of its own, the drawing of its rig.

import { $, fill, make, show } from "../shared/dom.js";

/** @param {any[]} exercises as the program offers them @param {string} own the value that stands for own words */
export function renderExercise(exercises, own) {
  show($("for-own"), $("exercise").value === own);
  const exercise = exercises.find(({ name }) => name === $("exercise").value);
  const rows = Object.entries(exercise?.notes ?? {});
  fill($("about-exercise"), rows, () => rows.flatMap(([name, text]) => [make("dt", {}, name), make("dd", {}, text)]));
  show($("rig"), Boolean(exercise?.drawing));
  if (exercise?.drawing) Object.assign($("rig-picture"), { src: exercise.drawing, alt: exercise.drawing_text });
  $("position").placeholder = exercise?.position ?? "";
}
