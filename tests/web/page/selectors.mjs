// Selectors as our modules use them, for the elements of a page without a browser.

const known = new Map(); // selectors that were read before

/** One step of a selector as tests of an element: tag, #id, .class, [attribute], [attribute=value], :checked. */
function readStep(step) {
  const parts = step.match(/^[a-z][a-z0-9]*|#[\w-]+|\.[\w-]+|\[[^\]]+\]|:checked/gi) ?? [];
  if (parts.join("") !== step) throw new Error(`a selector that this stand-in does not know: ${step}`);
  return parts.map((part) => {
    if (part[0] === "#") return (element) => element.id === part.slice(1);
    if (part[0] === ".") return (element) => element.className.split(/\s+/).includes(part.slice(1));
    if (part === ":checked") return (element) => element.checked;
    if (part[0] !== "[") return (element) => element.tagName === part.toUpperCase();
    const [name, ...rest] = part.slice(1, -1).split("=");
    const value = rest.length ? rest.join("=").replace(/^"|"$/g, "") : null;
    return (element) => (value === null ? element.hasAttribute(name) : element.getAttribute(name) === value);
  });
}

function matchesStep(element, step) {
  if (!known.has(step)) known.set(step, readStep(step));
  return known.get(step).every((test) => test(element));
}

/** Does an element match a selector's steps, the last one itself and the others somewhere round it? */
export function matchesPath(element, steps) {
  if (!matchesStep(element, steps.at(-1))) return false;
  if (steps.length === 1) return true;
  for (let at = element.parentElement; at; at = at.parentElement) if (matchesPath(at, steps.slice(0, -1))) return true;
  return false;
}
