// The elements of a page without a browser: what a document says of itself, no layout and no paint. Only what our modules
// use is here; anything else fails by name.

import { RecordingContext } from "./recording-context.mjs";
import { matchesPath } from "./selectors.mjs";

const VOID = new Set(["meta", "link", "input", "br", "img", "hr"]);
const ENTITIES = { nbsp: "\u00a0", amp: "&", lt: "<", gt: ">", quot: '"' };
const BOX = { left: 0, top: 0, right: 400, bottom: 200, width: 400, height: 200 };

export class Listening {
  constructor() {
    this.listeners = [];
  }

  addEventListener(type, act, { capture = false, once = false, signal = null } = {}) {
    if (this.listeners.some((each) => each.type === type && each.act === act)) return;
    this.listeners.push({ type, act, capture, once });
    signal?.addEventListener("abort", () => this.removeEventListener(type, act));
  }

  removeEventListener(type, act) {
    this.listeners = this.listeners.filter((each) => each.type !== type || each.act !== act);
  }

  hear(event, capture) {
    for (const each of this.listeners.filter((one) => one.type === event.type && one.capture === capture)) {
      if (each.once) this.removeEventListener(each.type, each.act);
      each.act.call(this, Object.assign(event, { currentTarget: this }));
    }
  }
}

/** Deliver an event to a target and all round it; true: nobody prevented what it usually does. */
export function fire(target, type, more = {}) {
  const event = { type, target, defaultPrevented: false, ...more };
  event.preventDefault = () => (event.defaultPrevented = true);
  event.stopPropagation = () => (event.isStopped = true);
  const around = [];
  for (let at = target; at; at = at.parentElement) around.push(at);
  for (const each of [globalThis.document, globalThis.window])
    if (target !== globalThis.window && target !== each) around.push(each);
  for (const each of [...around].reverse()) each.hear(event, true);
  for (const each of around) if (!event.isStopped) each.hear(event, false);
  return !event.defaultPrevented;
}

const kebab = (name) => name.replace(/[A-Z]/g, (letter) => `-${letter.toLowerCase()}`);

export class Element extends Listening {
  constructor(tag) {
    super();
    this.tagName = tag.toUpperCase();
    this.attributes = {};
    this.childNodes = [];
    this.parentElement = null;
    this.style = { setProperty: (name, value) => (this.style[name] = value) };
    this.dataset = new Proxy(this, {
      get: (_, name) => this.getAttribute(`data-${kebab(name)}`) ?? undefined,
      set: (_, name, value) => (this.setAttribute(`data-${kebab(name)}`, value), true),
      has: (_, name) => this.hasAttribute(`data-${kebab(name)}`),
      deleteProperty: (_, name) => (this.removeAttribute(`data-${kebab(name)}`), true),
    });
  }

  getAttribute(name) {
    return this.attributes[name] ?? null;
  }
  setAttribute(name, value) {
    this.attributes[name] = String(value);
  }
  removeAttribute(name) {
    delete this.attributes[name];
  }
  hasAttribute(name) {
    return name in this.attributes;
  }
  toggleAttribute(name, on = !this.hasAttribute(name)) {
    if (on) this.setAttribute(name, this.attributes[name] ?? "");
    else this.removeAttribute(name);
  }

  // --- children

  get children() {
    return this.childNodes.filter((node) => node instanceof Element);
  }
  get firstElementChild() {
    return this.children[0] ?? null;
  }
  get lastElementChild() {
    return this.children.at(-1) ?? null;
  }
  get textContent() {
    return this.childNodes.map((node) => (node instanceof Element ? node.textContent : node)).join("");
  }
  set textContent(text) {
    this.replaceChildren(...(text === "" ? [] : [String(text)]));
  }
  /** As somebody reads it: without what is hidden. */
  get seen() {
    if (this.hidden) return "";
    return this.childNodes.map((node) => (node instanceof Element ? node.seen : node)).join("");
  }
  append(...nodes) {
    for (const node of nodes) this.put(node, this.childNodes.length);
  }
  prepend(...nodes) {
    nodes.forEach((node, k) => this.put(node, k));
  }
  after(node) {
    this.parentElement.put(node, this.parentElement.childNodes.indexOf(this) + 1);
  }
  put(node, at) {
    if (node instanceof Element) {
      node.remove();
      node.parentElement = this;
    }
    this.childNodes.splice(at, 0, node instanceof Element ? node : String(node));
  }
  remove() {
    const around = this.parentElement;
    if (around) around.childNodes = around.childNodes.filter((node) => node !== this);
    this.parentElement = null;
  }
  replaceChildren(...nodes) {
    for (const node of this.children) node.remove();
    this.childNodes = [];
    this.append(...nodes);
  }
  cloneNode(deep = false) {
    const twin = new Element(this.tagName);
    Object.assign(twin.attributes, this.attributes);
    if (deep) twin.append(...this.childNodes.map((node) => (node instanceof Element ? node.cloneNode(true) : node)));
    return twin;
  }
  /** Of a template. */
  get content() {
    return this;
  }

  // --- finding

  /** Every element below this one, in the order of the page. */
  inside(found = []) {
    for (const node of this.childNodes) {
      if (typeof node === "string") continue;
      found.push(node);
      node.inside(found);
    }
    return found;
  }
  contains(element) {
    return element === this || this.inside().includes(element);
  }
  matches(selector) {
    return selector.split(",").some((each) => matchesPath(this, each.trim().split(/\s+/)));
  }
  querySelectorAll(selector) {
    const ways = selector.split(",").map((each) => each.trim().split(/\s+/));
    return this.inside().filter((element) => ways.some((steps) => matchesPath(element, steps)));
  }
  querySelector(selector) {
    return this.querySelectorAll(selector)[0] ?? null;
  }
  closest(selector) {
    for (let at = this; at; at = at.parentElement) if (at.matches(selector)) return at;
    return null;
  }

  // --- what a form is made of

  get value() {
    if (this.tagName === "SELECT") return this.chosen?.value ?? "";
    return this.typed ?? this.getAttribute("value") ?? (this.tagName === "OPTION" ? this.textContent : "");
  }
  set value(value) {
    if (this.tagName !== "SELECT") this.typed = String(value);
    else for (const option of this.options) option.selected = option.value === String(value);
  }
  get options() {
    return this.querySelectorAll("option");
  }
  get chosen() {
    const { options } = this;
    return options.find((option) => option.selected) ?? (options.some((each) => each.unchosen) ? null : options[0]);
  }
  get selected() {
    return this.isSelected ?? this.hasAttribute("selected");
  }
  set selected(on) {
    this.isSelected = on;
    this.unchosen = !on;
  }
  get files() {
    return this.brought ?? [];
  }
  set files(all) {
    this.brought = all;
  }
  get checked() {
    return this.isChecked ?? this.hasAttribute("checked");
  }
  set checked(on) {
    this.isChecked = Boolean(on);
  }
  reset() {
    for (const each of this.querySelectorAll("input, select, textarea, option"))
      Object.assign(each, { typed: undefined, isChecked: undefined, isSelected: undefined, unchosen: undefined });
  }

  // --- what a browser does

  focus() {
    globalThis.document.activeElement = this;
  }
  scrollIntoView() {}
  setPointerCapture(id) {
    this.captured = id;
  }
  hasPointerCapture(id) {
    return this.captured === id;
  }
  getBoundingClientRect() {
    return { ...BOX };
  }
  showModal() {
    this.open = true;
  }
  close() {
    this.open = false;
    fire(this, "close");
  }
  get clientWidth() {
    return BOX.width;
  }
  get clientHeight() {
    return BOX.height;
  }
  checkVisibility() {
    return this.closest("[hidden]") === null;
  }
  getContext() {
    return (this.context ??= new RecordingContext());
  }
}

for (const [property, name] of Object.entries({
  id: "id",
  className: "class",
  href: "href",
  name: "name",
  type: "type",
  title: "title",
}))
  Object.defineProperty(Element.prototype, property, {
    get() {
      return this.getAttribute(name) ?? "";
    },
    set(value) {
      this.setAttribute(name, value);
    },
  });
for (const name of ["hidden", "disabled", "open"])
  Object.defineProperty(Element.prototype, name, {
    get() {
      return this.hasAttribute(name);
    },
    set(on) {
      this.toggleAttribute(name, Boolean(on));
    },
  });

const plain = (text) => text.replace(/&(\w+);/g, (whole, name) => ENTITIES[name] ?? whole);

/** The elements of our own HTML, which closes what it opens. */
export function parse(html) {
  const root = new Element("html");
  let at = root;
  for (const [whole, close, tag, rest, text] of html.matchAll(
    /<(\/?)([a-z][a-z0-9]*)((?:"[^"]*"|[^">])*)>|<!(?:[^>]*)>|([^<]+)/gi,
  )) {
    if (text !== undefined) {
      if (text.trim() || at.tagName === "P") at.append(plain(text));
    } else if (!tag) continue;
    else if (close) {
      if (at.tagName !== tag.toUpperCase()) throw new Error(`${whole} closes ${at.tagName}`);
      at = at.parentElement;
    } else if (tag !== "html") {
      const element = new Element(tag);
      for (const [, name, value] of rest.matchAll(/([\w-]+)(?:="([^"]*)")?/g)) element.setAttribute(name, plain(value ?? ""));
      at.append(element);
      if (!VOID.has(tag)) at = element;
    }
    if (close && !at) return root;
  }
  return root;
}
