// Which keys mean what, and where they are left to what has the focus.

const TYPED = /^(TEXTAREA|SELECT)$/;
const UNTYPED_INPUTS = ["checkbox", "radio", "range", "button"];

/**
 * Does what has the focus take letters and digits?
 * @param {KeyboardEvent} event
 */
export function isTyping({ target }) {
  const field = /** @type {any} */ (target);
  return TYPED.test(field.tagName ?? "") || (field.tagName === "INPUT" && !UNTYPED_INPUTS.includes(field.type));
}

/**
 * Esc stops wherever the focus is; Space too, but where it ticks a box, opens a list or writes a blank.
 * @param {KeyboardEvent} event
 */
export function isStopKey(event) {
  if (event.key === "Escape") return true;
  const name = /** @type {any} */ (event.target).tagName ?? "";
  return event.key === " " && !["INPUT", "TEXTAREA", "SELECT", "SUMMARY", "A"].includes(name);
}
