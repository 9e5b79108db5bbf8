// An exercise of one's own: a short form whose mistakes come from the reader of exercise files.

import { $, fill, make, setText } from "../shared/dom.js";
import { mistakeText } from "./plan-draft.js";

const FIELDS = ["title", "muscle", "joint", "position", "contraction", "force", "emg", "cautions", "lever_m", "drift"];

export function setUpExercise(send) {
  $("exercise-form").addEventListener("submit", (event) => {
    event.preventDefault();
    clear();
    send({ do: "save_exercise", draft: Object.fromEntries(FIELDS.map((field) => [field, $(`exercise-${field}`).value.trim()])) });
  });
}

export function renderExercise(state) {
  fill($("exercise-joint"), state.joints ?? ["general"], (joints) =>
    joints.map((joint) => make("option", { selected: joint === "general" }, joint)),
  );
}

/** Hear an answer of the session about an exercise. */
export function hearExercise({ exercise, exercise_refused: mistake }) {
  if (exercise) {
    $("exercise-form").reset();
    setText(
      $("exercise-said"),
      `Kept as ${exercise.name}. Start with it next time: choose it on the start page, or --exercise ${exercise.name}`,
    );
  } else if (mistake) {
    const field = FIELDS.includes(mistake.place[0]) ? mistake.place[0] : "title";
    setText($(`exercise-${field}-wrong`), mistakeText(mistake));
    $(`exercise-${field}`).setAttribute("aria-invalid", "true");
    $(`exercise-${field}`).focus();
  }
}

function clear() {
  setText($("exercise-said"), "");
  for (const field of FIELDS) {
    $(`exercise-${field}`).removeAttribute("aria-invalid");
    setText($(`exercise-${field}-wrong`), "");
  }
}
