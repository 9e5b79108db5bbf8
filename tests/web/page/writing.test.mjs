import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { write } from "../../../biofeedback/web/static/shared/writing.js";

let made = []; // pictures, each with what was written on it

/** As much of a canvas beside the page as writing needs: every letter is 10 px wide, 8 above and 3 below its line. */
class Beside {
  constructor(width, height) {
    Object.assign(this, { width, height, texts: [] });
    if (width > 1 || height > 1) made.push(this);
  }

  getContext() {
    const { texts } = this;
    return {
      scale(ratio) {
        this.ratio = ratio;
      },
      measureText: (text) => ({
        actualBoundingBoxLeft: 0,
        actualBoundingBoxRight: 10 * text.length,
        actualBoundingBoxAscent: 8,
        actualBoundingBoxDescent: 3,
      }),
      fillText(text, x, y) {
        texts.push({ text, x, y, color: this.fillStyle, font: this.font, ratio: this.ratio });
      },
    };
  }
}

const pageContext = (ratio = 1) => {
  const copied = [];
  return {
    copied,
    getTransform: () => ({ a: ratio }),
    drawImage: (picture, x, y, width, height) => copied.push({ picture, x, y, width, height }),
  };
};

const HOW = { font: "600 16px sans-serif", color: "#123456" };

beforeEach(() => {
  made = [];
  globalThis.OffscreenCanvas = Beside;
});

test("a text is written once and copied from then on", () => {
  const ctx = pageContext();
  for (let k = 0; k < 5; k++) write(ctx, "once 60", 40, 20 + k, HOW);
  assert.equal(made.length, 1);
  assert.deepEqual(
    made[0].texts.map(({ text, color, font }) => [text, color, font]),
    [["once 60", "#123456", "600 16px sans-serif"]],
  );
  assert.equal(new Set(ctx.copied.map(({ picture }) => picture)).size, 1);
  assert.deepEqual(
    ctx.copied.map(({ y }) => y - ctx.copied[0].y),
    [0, 1, 2, 3, 4],
  );
});

test("another colour, size, place beside the point or screen is another picture", () => {
  write(pageContext(), "two 80", 0, 0, HOW);
  write(pageContext(), "two 80", 0, 0, { ...HOW, color: "#fff" });
  write(pageContext(), "two 80", 0, 0, { ...HOW, font: "600 20px sans-serif" });
  write(pageContext(), "two 80", 0, 0, { ...HOW, align: "right" });
  write(pageContext(2), "two 80", 0, 0, HOW);
  assert.equal(made.length, 5);
});

test("the letters lie where they were asked for, none of them cut, on whole pixels of the screen", () => {
  for (const ratio of [1, 2, 1.25]) {
    made = [];
    const ctx = pageContext(ratio);
    write(ctx, `at ${ratio}`, 40.3, 20.6, HOW);
    const [{ picture, x, y, width, height }] = ctx.copied;
    const [{ x: left, y: top, ratio: scale, text }] = picture.texts;
    assert.equal(scale, ratio);
    assert.ok(Math.abs(x + left - 40.3) <= 0.5 / ratio + 1e-9, "where it was asked for");
    assert.ok(Math.abs(y + top - 20.6) <= 0.5 / ratio + 1e-9);
    for (const px of [x, y]) assert.ok(Math.abs(px * ratio - Math.round(px * ratio)) < 1e-9, "sharp");
    assert.ok(left >= 0 && top - 8 >= 0 && left + 10 * text.length <= width && top + 3 <= height, "not cut");
    assert.deepEqual([picture.width, picture.height], [width * ratio, height * ratio]);
  }
});

test("texts that come and go do not fill the memory: what is written again is right all the same", () => {
  const ctx = pageContext();
  for (let k = 0; k < 1000; k++) write(ctx, `many ${k}`, 0, 0, HOW);
  write(ctx, "many 0", 0, 0, HOW);
  assert.equal(ctx.copied.at(-1).picture.texts[0].text, "many 0");
  assert.ok(new Set(made).size > 1000, "the first was let go in between");
});

test("where there is no canvas beside the page it is written on the page's own", () => {
  delete globalThis.OffscreenCanvas;
  const written = [];
  const ctx = { fillText: (...what) => written.push(what) };
  write(ctx, "plain", 3, 4, { ...HOW, align: "right" });
  assert.deepEqual(written, [["plain", 3, 4]]);
  assert.deepEqual([ctx.font, ctx.fillStyle, ctx.textAlign, ctx.textBaseline], [HOW.font, HOW.color, "right", "middle"]);
});
