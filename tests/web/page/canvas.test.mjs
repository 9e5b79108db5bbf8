// Canvases are as fine as the screen, and drawn only when something on them has changed.

import assert from "node:assert/strict";
import { test } from "node:test";

import { openPage, settle } from "./page-stand-in.mjs";

let resized = null;
class Observer {
  constructor(tell) {
    resized = (target, width, height) => tell([{ target, contentRect: { width, height } }]);
  }
  observe() {}
}
const page = await openPage("pair", { more: { window: { devicePixelRatio: 2 }, global: { ResizeObserver: Observer } } });
const { paint, readColors } = await import("../../../biofeedback/web/static/shared/canvas.js");
const colors = { ink: "black" };

/** A canvas that counts how often its size is set, which empties it, and how often it is drawn. */
function newCanvas() {
  const canvas = page.page.createElement("canvas");
  const counts = { width: 0, height: 0, drawn: [] };
  for (const name of ["width", "height"]) {
    let now = 0;
    const set = (value) => {
      now = value;
      counts[name] += 1;
    };
    Object.defineProperty(canvas, name, { get: () => now, set });
  }
  const show = async (key, more = colors) => {
    paint(canvas, (ctx, w, h) => counts.drawn.push([ctx.scale, w, h]), key, more);
    await settle();
  };
  return { canvas, counts, show };
}

test("a picture has a dot for each of the screen's, three for a pixel at most, and its size is set once", async () => {
  for (const [ratio, dots] of [
    [2, 2],
    [1.5, 1.5],
    [4, 3],
    [undefined, 1],
  ]) {
    globalThis.window.devicePixelRatio = ratio;
    const { canvas, counts, show } = newCanvas();
    await show(1);
    await show(2);
    assert.deepEqual([canvas.width, canvas.height], [400 * dots, 200 * dots]);
    assert.deepEqual([counts.width, counts.height], [1, 1]);
    assert.deepEqual(counts.drawn, [
      [dots, 400, 200],
      [dots, 400, 200],
    ]);
  }
  globalThis.window.devicePixelRatio = 2;
});

test("it is drawn again only when what it shows, its size or the colours are others", async () => {
  const { canvas, counts, show } = newCanvas();
  await show(["a", 1]);
  await show(["a", 1]);
  assert.equal(counts.drawn.length, 1);
  await show(["a", 2]);
  assert.equal(counts.drawn.length, 2);
  await show(["a", 2], { ink: "white" });
  assert.equal(counts.drawn.length, 3);
  resized(canvas, 300.4, 99.6);
  await settle();
  assert.deepEqual(counts.drawn.at(-1), [2, 300, 100]);
  assert.deepEqual([canvas.width, canvas.height, counts.width], [600, 200, 2]);
  resized(canvas, 300, 150);
  await settle();
  assert.deepEqual([canvas.width, canvas.height], [600, 300]);
});

test("what goes by the width is asked with the width in dots of the screen", async () => {
  const { show } = newCanvas();
  const asked = [];
  await show((widthPx) => asked.push(widthPx));
  assert.deepEqual(asked, [800]);
});

test("nothing is drawn where there is no room, and only the newest picture of a frame", async () => {
  const { canvas, counts, show } = newCanvas();
  paint(canvas, () => counts.drawn.push("old"), "old", colors);
  await show("new");
  assert.deepEqual(counts.drawn, [[2, 400, 200]]);
  for (const [w, h] of [
    [0, 100],
    [100, 0],
  ]) {
    resized(canvas, w, h);
    await show([w, h]);
  }
  assert.equal(counts.drawn.length, 1);
});

test("colours are those of the style sheet, by their names", () => {
  const found = readColors();
  assert.equal(found.ink, "ink");
  assert.equal(found.inTint, "inTint");
  assert.equal(Object.keys(found).length, 15);
});
