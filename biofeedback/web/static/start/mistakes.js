// What is wrong with the form or the sensor, said where it belongs.

import { $, setText } from "../shared/dom.js";
import { mistakeText } from "./form.js";

export function clearMistakes() {
  for (const element of document.querySelectorAll(".wrong")) setText(element, "");
  for (const element of document.querySelectorAll("[aria-invalid]")) element.removeAttribute("aria-invalid");
}

export function showMistakes(mistakes, general = "form-wrong") {
  let first = null;
  for (const mistake of mistakes) {
    setText($(`${mistake.field}-wrong`) ?? $(general), mistakeText(mistake));
    const field =
      {
        sensor: document.querySelector("[name=sensor]"),
        columns: $("add-column"),
        exercise: $("own").checkVisibility() ? $("own") : $("exercise"),
      }[mistake.field] ?? $(mistake.field);
    if (field && field.tagName !== "BUTTON" && field.type !== "radio") field.setAttribute("aria-invalid", "true");
    first ??= field;
  }
  first?.focus();
}
