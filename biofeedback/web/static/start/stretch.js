// What the chosen stretch is, below its field: notes, cautions of its own, the drawing of its rig.

import { $, fill, make, setText, show } from "../shared/dom.js";

const same = (text) => text.trim().toLowerCase().split(/\s+/).join(" ");

/**
 * What a stretch is still to say, question by question: its rig (not without a sensor) and what to stop for.
 * @param {any} exercise the one that is chosen @param {string} words own words instead
 * @param {{sensor: string, asks: Record<string, string>}} about
 */
export function unsaidOf(exercise, words, { sensor, asks }) {
  if (sensor === "simulated" || (!exercise && !words)) return {};
  const questions = { ...(exercise ? exercise.asks : asks) };
  if (sensor === "felt") delete questions.force;
  return questions;
}

/**
 * @param {any[]} exercises as the program offers them @param {string} own the value that stands for own words
 * @param {{sensor: string, asks: Record<string, string>}} about
 */
export function renderExercise(exercises, own, about) {
  const words = $("exercise").value === own ? same($("own").value) : "";
  const meant = (each) => (words ? [same(each.title), same(each.name)].includes(words) : each.name === $("exercise").value);
  const unsaid = unsaidOf(exercises.find(meant), words, about);
  show($("unsaid"), Object.keys(unsaid).length > 0);
  for (const field of ["force", "cautions"]) {
    show($(`for-unsaid_${field}`), field in unsaid);
    setText($(`unsaid_${field}-hint`), unsaid[field] ?? "");
  }
  show($("for-own"), $("exercise").value === own);
  const exercise = exercises.find(({ name }) => name === $("exercise").value);
  const rows = Object.entries(exercise?.notes ?? {});
  fill($("about-exercise"), rows, () => rows.flatMap(([name, text]) => [make("dt", {}, name), make("dd", {}, text)]));
  show($("rig"), Boolean(exercise?.drawing));
  if (exercise?.drawing) Object.assign($("rig-picture"), { src: exercise.drawing, alt: exercise.drawing_text });
  $("position").placeholder = exercise?.position ?? "";
}
