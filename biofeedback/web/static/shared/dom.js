// The few helpers the page needs to change itself without touching what stayed the same.

/**
 * An element that the page's HTML has, by its id.
 * @param {string} id
 * @returns {any}
 */
export const $ = (id) => document.getElementById(id);

/**
 * Element with attributes, listeners (on...) and children; text is always text, never markup.
 * @param {string} tag
 * @param {Record<string, any>} attributes
 * @param {(Node | string | null | undefined)[]} children
 * @returns {any}
 */
export function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true ? "" : value);
  }
  for (const child of children) if (child !== null && child !== undefined) element.append(child);
  return element;
}

/* What these two have put there is kept beside the element: asking the browser for it in every frame costs more. Nothing
   else writes the text or the data of an element that they write. */

export function setText(element, text) {
  if (element.toldText === text) return;
  element.toldText = text;
  if (element.textContent !== text) element.textContent = text;
}

export function setData(element, name, value) {
  const told = (element.toldData ??= {});
  if (told[name] === value) return;
  told[name] = value;
  if (element.dataset[name] !== value) element.dataset[name] = value;
}

/**
 * A text whose digits change many times a second, within the room that its shape takes: nothing else is laid out again.
 * @param {any} digits an element of class digits in one of class room
 * @param {string} text
 */
export function setDigits(digits, text) {
  setText(digits, text);
  setData(digits.parentElement, "room", text.replace(/\d/g, "0"));
}

export function show(element, on) {
  if (element.hidden === on) element.hidden = !on;
}

/** Rebuild a list only when its data changed, so that focus and scrolling survive. */
export function fill(element, data, build) {
  const key = JSON.stringify(data);
  if (element.fillKey === key) return;
  element.fillKey = key;
  element.replaceChildren(...build(data).filter(Boolean));
}
