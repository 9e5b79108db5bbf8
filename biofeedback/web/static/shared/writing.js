const N_WRITINGS = 300;
/** @type {Map<string, {picture: OffscreenCanvas, text: string, left: number, top: number}>} */
const writings = new Map();

/**
 * A text on a canvas, written once beside the page and copied from then on: writing on a canvas of the page itself makes
 * the browser work out the page's styles in the middle of a frame.
 * @param {CanvasRenderingContext2D} ctx
 * @param {string} text
 * @param {number} x
 * @param {number} y
 * @param {{font: string, color: string, align?: CanvasTextAlign, baseline?: CanvasTextBaseline}} how
 */
export function write(ctx, text, x, y, { font, color, align = "left", baseline = "middle" }) {
  const set = (/** @type {any} */ to) => Object.assign(to, { font, fillStyle: color, textAlign: align, textBaseline: baseline });
  if (typeof OffscreenCanvas === "undefined") {
    set(ctx).fillText(text, x, y);
    return;
  }
  const ratio = ctx.getTransform().a;
  const key = JSON.stringify([text, font, color, align, baseline, ratio]);
  let kept = writings.get(key);
  if (!kept) {
    if (writings.size >= N_WRITINGS) writings.clear();
    const ink = set(new OffscreenCanvas(1, 1).getContext("2d")).measureText(text);
    const [left, top] = [Math.ceil(ink.actualBoundingBoxLeft) + 1, Math.ceil(ink.actualBoundingBoxAscent) + 1];
    const wide = Math.max(1, left + Math.ceil(ink.actualBoundingBoxRight) + 1);
    const tall = Math.max(1, top + Math.ceil(ink.actualBoundingBoxDescent) + 1);
    const picture = new OffscreenCanvas(Math.ceil(wide * ratio), Math.ceil(tall * ratio));
    const pen = set(/** @type {OffscreenCanvasRenderingContext2D} */ (picture.getContext("2d")));
    pen.scale(ratio, ratio);
    pen.fillText(text, left, top);
    kept = { picture, text, left, top };
    writings.set(key, kept);
  }
  const { picture, left, top } = kept;
  const whole = (/** @type {number} */ px) => Math.round(px * ratio) / ratio; // on whole pixels it stays sharp
  ctx.drawImage(picture, whole(x - left), whole(y - top), picture.width / ratio, picture.height / ratio);
}
