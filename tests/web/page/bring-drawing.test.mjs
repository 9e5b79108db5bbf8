// The picture of a brought file: lanes, stretches, the marked one and the times, computed again from the data.

import assert from "node:assert/strict";
import { test } from "node:test";

import { boundsOf } from "./recording-context.mjs";
import { openPage, settle } from "./page-stand-in.mjs";

const [W, H] = [400, 200]; // of every element of the stand-in
const page = await openPage("bring", { path: "/review/bring" });
const { drawBrought, sayNumber } = await import("../../../biofeedback/web/static/bring/trace.js");
const near = (found, wanted, by = 0.01) => assert.ok(Math.abs(found - wanted) <= by, `${found} instead of ${wanted}`);

const CHANNELS = [
  { name: "Kraft", unit: "kg", low: [0, 5, null, 10], high: [2, 6, null, 20] },
  { name: "EMG", unit: "uV", low: [null, null, null, null], high: [null, null, null, null] },
];
const VIEW = { fromS: 10, toS: 50 };

async function draw(changes = {}) {
  const canvas = page.page.createElement("canvas");
  const drawn = { from_s: 10, to_s: 50, channels: CHANNELS };
  drawBrought(canvas, { drawn, view: VIEW, stretches: [], phases: [], marked: null, ...changes });
  await settle();
  return canvas.context;
}

const xOf = (s) => ((s - VIEW.fromS) / (VIEW.toS - VIEW.fromS)) * W;

test("every channel has a lane of its own, lowest at its foot, highest below its name, and a hole is gone over", async () => {
  const ctx = await draw();
  const lines = ctx.of("stroke", "ink").map(({ paths }) => paths);
  const [line] = lines[0];
  assert.equal(lines[0].length, 1); // a slower channel goes on to its next reading
  const columns = [0, 1, 3].flatMap((k) => [k, k]);
  columns.forEach((k, n) => near(line.points[n][0], xOf(10 + ((k + 0.5) / 4) * 40)));
  const heights = line.points.map(([, y]) => y);
  const values = [2, 0, 6, 5, 20, 10];
  const [top, foot] = [Math.min(...heights), Math.max(...heights)];
  values.forEach((value, n) => near(heights[n], foot + (value / 20) * (top - foot)));
  const names = ctx.of("text", "ink");
  assert.deepEqual(
    names.map(({ text }) => text),
    ["Kraft: 0 to 20 kg", "EMG: nothing here"],
  );
  const [first, second] = names.map(({ paths }) => paths[0].points[0]);
  assert.ok(first[0] > 0 && first[0] < 20 && first[0] === second[0]);
  assert.ok(first[1] < top && top - first[1] < 25 && top - first[1] > 13); // below its name, and not through it
  assert.ok(foot > top + 20 && foot < second[1]); // above the next lane
  const clear = ctx.of("clear")[0];
  assert.deepEqual(boundsOf(clear.paths), { left: 0, top: 0, right: W, bottom: H });
});

test("a channel that never changes lies flat, and lanes share the height", async () => {
  const flat = { name: "A", unit: "N", low: [3, 3], high: [3, 3] };
  const ctx = await draw({ drawn: { from_s: 10, to_s: 50, channels: [flat, flat, flat, flat] } });
  const lines = ctx.of("stroke", "ink").map(({ paths }) => paths[0].points[0][1]);
  const steps = lines.slice(1).map((y, k) => y - lines[k]);
  steps.forEach((step) => near(step, steps[0]));
  assert.ok(steps[0] > 25 && lines[0] > 20 && lines[3] < H - 26);
  near(steps[0] * 4, H - 46, 1);
});

test("names lie on a plate of the page's colour, as wide as they are", async () => {
  const ctx = await draw();
  const plates = ctx.of("fill", "panel").map(({ paths }) => boundsOf(paths));
  const names = ctx.of("text", "ink");
  assert.equal(plates.length, 2);
  plates.forEach((plate, k) => {
    const [x, y] = names[k].paths[0].points[0];
    assert.ok(
      plate.left <= x && plate.right >= x + 7 * names[k].text.length && plate.right - plate.left < 7 * names[k].text.length + 20,
    );
    assert.ok(plate.top <= y && plate.bottom >= y + 12 && plate.bottom - plate.top < 20);
  });
  const long = { name: "x".repeat(90), unit: "N", low: [1], high: [2] };
  const wide = await draw({ drawn: { from_s: 10, to_s: 50, channels: [long] } });
  assert.ok(boundsOf(wide.of("fill", "panel")[0].paths).right < W);
});

test("stretches and phases lie where they are, in their colours, each with its words or its sign", async () => {
  const stretches = [
    { kind: "contract", from_s: 20, to_s: 40 },
    { kind: "rest", from_s: 12, to_s: 13 },
  ];
  const phases = [{ kind: "passive", from_s: 42, to_s: 43 }];
  const ctx = await draw({ stretches, phases });
  for (const [color, from, to] of [
    ["inTint", 20, 40],
    ["sleeve", 12, 13],
    ["restTint", 42, 43],
  ]) {
    const [mark, ...more] = ctx.of("fill", color);
    assert.equal(more.length, 0, color);
    const box = boundsOf(mark.paths);
    near(box.left, xOf(from));
    near(box.right, xOf(to));
    assert.ok(box.top > 10 && box.bottom < H - 15 && box.bottom > H - 35);
  }
  assert.equal(ctx.of("stroke", "target").length, 3);
  const outlines = ctx.of("stroke", "target").map(({ paths }) => boundsOf(paths));
  const inside = ["restTint", "inTint", "sleeve"].map((color) => boundsOf(ctx.of("fill", color)[0].paths));
  outlines.forEach((outline, k) => {
    assert.ok(Math.abs(outline.left - inside[k].left) < 1 && Math.abs(outline.right - inside[k].right) < 1);
    assert.deepEqual([outline.top, outline.bottom], [inside[k].top, inside[k].bottom]);
  });
  const labels = ctx.of("text", "ink").filter(({ align }) => align === "center");
  assert.deepEqual(
    labels.map(({ text }) => text),
    ["R", "Contract", "0"],
  );
  labels.forEach(({ paths, baseline }, k) => {
    near(paths[0].points[0][0], xOf([42.5, 30, 12.5][k]));
    assert.ok(paths[0].points[0][1] > 5 && paths[0].points[0][1] < 20 && baseline === "middle"); // above the lanes
  });
  const short = await draw({ stretches: [{ kind: "contract", from_s: 20, to_s: 20.001 }] });
  const box = boundsOf(short.of("fill", "inTint")[0].paths);
  near(box.right - box.left, 1); // never too short to be seen
});

test("the marked stretch stands out where it is, over everything that is set", async () => {
  const ctx = await draw({ marked: { fromS: 15, toS: 25 }, stretches: [{ kind: "contract", from_s: 20, to_s: 40 }] });
  for (const [kind, color] of [
    ["fill", "aboveTint"],
    ["stroke", "above"],
  ]) {
    const [mark, ...more] = ctx.of(kind, color);
    assert.equal(more.length, 0);
    const box = boundsOf(mark.paths);
    near(box.left, xOf(15));
    near(box.right, xOf(25));
    const set = boundsOf(ctx.of("fill", "inTint")[0].paths); // as high as what is set, below the words and above the times
    assert.deepEqual([box.top, box.bottom], [set.top, set.bottom]);
    assert.ok(box.top > 10 && box.bottom < H - 10);
  }
  assert.ok(ctx.marks.indexOf(ctx.of("fill", "aboveTint")[0]) > ctx.marks.indexOf(ctx.of("fill", "inTint")[0]));
  assert.equal((await draw()).of("fill", "aboveTint").length, 0);
});

test("times stand below at round moments, none cut off at an edge, with tenths only where steps are finer than a second", async () => {
  for (const [view, texts] of [
    [{ fromS: 10, toS: 50 }, ["0:10", "0:20", "0:30", "0:40", "0:50"]],
    [{ fromS: 10, toS: 11 }, ["0:10.0", "0:10.5", "0:11.0"]],
  ]) {
    const ctx = await draw({ view });
    const times = ctx.of("text", "ink2");
    assert.deepEqual(
      times.map(({ text }) => text),
      texts,
    );
    const [ticks] = ctx.of("stroke", "line");
    assert.equal(ticks.paths.length, texts.length);
    times.forEach(({ paths, align }, k) => {
      const at = (W * k) / (texts.length - 1);
      const [[x0, y0], [x1, y1]] = ticks.paths[k].points;
      assert.ok(Math.abs(x0 - at) < 0.01 && x1 === x0 && y1 > y0 && y1 - y0 < 9);
      const [x, y] = paths[0].points[0];
      assert.ok(align === "center" && x >= 18 && x <= W - 18 && Math.abs(x - at) <= 25);
      assert.ok(y > y0 && y + 14 <= H);
    });
  }
});

test("numbers are said with four digits", () => {
  assert.deepEqual([0.123456, 12345.6, 3, -0.00001].map(sayNumber), ["0.1235", "12350", "3", "-0.00001"]);
});
