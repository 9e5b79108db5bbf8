// What canvases have in common: the page's colours, and drawing only when something has changed.

const NAMES = [
  "ink",
  "ink2",
  "line",
  "edge",
  "panel",
  "in",
  "in-tint",
  "above",
  "above-tint",
  "below",
  "below-tint",
  "rest",
  "rest-tint",
  "sleeve",
  "target",
];

/** The colours of the style sheet as they are now: {ink, inTint, ...}. */
export function readColors() {
  const style = getComputedStyle(document.documentElement);
  const camel = (name) => name.replace(/-(.)/g, (_, letter) => letter.toUpperCase());
  return Object.fromEntries(NAMES.map((name) => [camel(name), style.getPropertyValue(`--${name}`).trim()]));
}

// Sizes come from the browser when they change: asking for one in every frame makes it lay out the page in every frame.
const sizes = new WeakMap();
const observer = new ResizeObserver((entries) => {
  for (const { target, contentRect } of entries) {
    sizes.set(target, [Math.round(contentRect.width), Math.round(contentRect.height)]);
    /** @type {any} */ (target).again?.();
  }
});

function sizeOf(canvas) {
  if (!sizes.has(canvas)) {
    sizes.set(canvas, [canvas.clientWidth, canvas.clientHeight]);
    observer.observe(canvas);
  }
  return sizes.get(canvas);
}

/** Draw on a canvas if its size, the colours or what it shows (key, or key(width) by its width in pixels of the screen) has changed. */
export function paint(canvas, drawing, key, colors) {
  const [w, h] = sizeOf(canvas);
  canvas.again = () => paint(canvas, drawing, key, colors);
  if (!w || !h) return;
  const ratio = Math.min(3, window.devicePixelRatio || 1);
  const token = JSON.stringify([w, h, ratio, colors.ink, typeof key === "function" ? key(w * ratio) : key]);
  if (canvas.token === token) return;
  canvas.token = token;
  if (canvas.width !== Math.round(w * ratio) || canvas.height !== Math.round(h * ratio)) {
    canvas.width = Math.round(w * ratio);
    canvas.height = Math.round(h * ratio);
  }
  // A picture may ask the browser what it has not worked out yet: once, when all texts of this frame are in place.
  queueMicrotask(() => {
    if (canvas.token !== token) return;
    const ctx = canvas.getContext("2d");
    ctx.setTransform(ratio, 0, 0, ratio, 0, 0);
    drawing(ctx, w, h);
  });
}
