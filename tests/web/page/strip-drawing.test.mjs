// The last 30 s, every sensor's trace and a recording's picture: what stands where. Places are computed here from times
// and values: the right edge is now, the left one 30 s ago; the foot is 0 %, the top edge the scale's top.

import assert from "node:assert/strict";
import { test } from "node:test";

import { Ring, drawStrip } from "../../../biofeedback/web/static/shared/strip.js";
import { drawTrace, findTop } from "../../../biofeedback/web/static/review/trace-picture.js";
import { COLORS, RecordingContext, boundsOf } from "./recording-context.mjs";

const RATE = 100;
const close = (a, b, words = "", within = 0.01) => assert.ok(Math.abs(a - b) < within, `${words}: ${a} against ${b}`);

function ringOf(seconds, percentAt) {
  const ring = new Ring(30 * RATE);
  ring.push(
    0,
    seconds * RATE,
    1,
    Float32Array.from({ length: seconds * RATE }, (_, k) => percentAt(k / RATE)),
    0,
  );
  return ring;
}

function strip({ w = 600, h = 100, endS = 30, top = 100, spans = [], ratings = [], percentAt = () => 50 } = {}) {
  const ctx = new RecordingContext();
  drawStrip(ctx, w, h, { ring: ringOf(endS, percentAt), levelRateHz: RATE, endS, top, spans, ratings }, COLORS);
  return ctx;
}

for (const [w, h] of [
  [300, 60],
  [600, 100],
  [1234, 90],
]) {
  test(`${w} x ${h}: a band lies from its first to its last second, between its edges`, () => {
    const inner = h - 28;
    const ctx = strip({
      w,
      h,
      spans: [
        { fromS: 6, toS: 21, band: [60, 80] },
        { fromS: 21, toS: 27, band: null },
      ],
    });
    const [box, ...more] = ctx.of("fill", "sleeve");
    assert.deepEqual(more, []);
    const { left, right, top, bottom } = boundsOf(box.paths);
    close(left, (6 / 30) * w, "from");
    close(right, (21 / 30) * w, "to");
    close(top, h - 4 - 0.8 * inner, "upper edge");
    close(bottom, h - 4 - 0.6 * inner, "lower edge");
    const outline = boundsOf(ctx.of("stroke", "target")[0].paths);
    close(outline.top, top, "outline");
    close(outline.bottom, bottom, "outline");
  });

  test(`${w} x ${h}: each moment stands at its place and height`, () => {
    const ctx = strip({ w, h, percentAt: (s) => (s < 15 ? 20 : 70) });
    const points = ctx.of("stroke", "ink")[0].paths.flatMap((path) => path.points);
    for (const [x, y] of points) {
      if (Math.abs(x - w / 2) > 2) close(y, h - 4 - (x < w / 2 ? 0.2 : 0.7) * (h - 28), `at ${x}`);
    }
    close(points[0][0], 0.5, "begins 30 s ago", 0.51);
    close(points.at(-1)[0], w - 0.5, "ends now", 0.51);
  });
}

test("a band that began before the strip or goes on after now is cut at its edges; one that is over is gone", () => {
  const spans = [
    { fromS: 2, toS: 8, band: [10, 20] },
    { fromS: 12, toS: 40, band: [60, 80] },
    { fromS: 55, toS: 70, band: [30, 40] },
  ];
  const boxes = strip({ endS: 60, spans })
    .of("fill", "sleeve")
    .map((mark) => boundsOf(mark.paths));
  assert.equal(boxes.length, 2);
  close(boxes[0].left, 0);
  close(boxes[0].right, (10 / 30) * 600);
  close(boxes[1].left, (25 / 30) * 600);
  close(boxes[1].right, 600);
});

test("what never came is a hole in the line, and a peak is never lost", () => {
  const ctx = strip({ percentAt: (s) => (s >= 10 && s < 12 ? NaN : Math.abs(s - 20) < 0.006 ? 95 : 40) });
  const [line] = ctx.of("stroke", "ink");
  assert.equal(line.paths.length, 2);
  close(boundsOf([line.paths[0]]).right, 200, "ends where it stopped", 1.01);
  close(boundsOf([line.paths[1]]).left, 240, "goes on where it came back", 1.01);
  close(boundsOf(line.paths).top, 100 - 4 - 0.95 * 72, "the peak");
});

test("every picture begins on an empty canvas, to its edges", () => {
  const [first, ...marks] = strip().marks;
  assert.deepEqual([first.kind, boundsOf(first.paths)], ["clear", { left: 0, top: 0, right: 600, bottom: 100 }]);
  assert.ok(marks.every(({ kind }) => kind !== "clear"));
});

test("nothing at all is a line along the foot", () => {
  const [foot] = strip().of("stroke", "line");
  assert.deepEqual(foot.paths[0].points, [
    [0, 96.5],
    [600, 96.5],
  ]);
});

test("a rating stands in a box around its moment", () => {
  const ctx = strip({ ratings: [{ time_s: 15, value: 7 }] });
  const { left, right, top, bottom } = boundsOf(ctx.of("fill", "panel")[0].paths);
  const [x, y] = ctx.of("text")[0].paths[0].points[0];
  assert.deepEqual([(left + right) / 2, x], [300, 300]);
  assert.ok(right - left > 20 && right - left < 30 && y > top && y < bottom);
  assert.ok(bottom <= 24 - 2, "above the trace at its highest, with its line");
  assert.deepEqual(ctx.of("stroke", "ink2").length, 2); // the stem and the box
});

test("an effort beyond the scale stays in the strip", () => {
  const bounds = boundsOf(strip({ percentAt: (s) => (s < 15 ? 180 : -20) }).of("stroke", "ink")[0].paths);
  close(bounds.top, 24);
  close(bounds.bottom, 96);
});

test("ratings stand at their moments, no answer as a dash, and those from before are gone", () => {
  const ctx = strip({
    endS: 60,
    ratings: [
      { time_s: 20, value: 9 },
      { time_s: 36, value: 6.5 },
      { time_s: 51, value: null },
    ],
  });
  assert.deepEqual(
    ctx.of("text").map((mark) => mark.text),
    ["6.5", "–"],
  );
  ctx.of("text").forEach((mark, k) => close(mark.paths[0].points[0][0], [120, 420][k], "place"));
  const stems = ctx.of("stroke", "ink2").filter((mark) => mark.dash.length);
  assert.deepEqual(
    stems.map((mark) => mark.paths[0].points.map((point) => Math.round(point[0]))),
    [
      [120, 120],
      [420, 420],
    ],
  );
});

// -- a recording's picture --------------------------------------------------------------------------------------------

globalThis.window = { devicePixelRatio: 2 };
globalThis.document = { documentElement: null };
globalThis.getComputedStyle = () => ({ getPropertyValue: (name) => name.slice(2) });

const ABOUT = {
  guide: 1,
  phases: [
    { kind: "passive", band: null, from_s: 10, to_s: 30 },
    { kind: "contract", band: [60, 80], from_s: 30, to_s: 50 },
  ],
  ratings: [
    { time_s: 28, value: 6 },
    { time_s: 48, value: null },
  ],
};
const flat = (n, value) => ({ low: Array(n).fill(value), high: Array(n).fill(value) });
const guide = flat(80, 50);
guide.low.fill(null, 20, 30);
guide.high.fill(null, 20, 30);
guide.high[60] = 90;
const DRAWN = { from_s: 0, to_s: 80, channels: [flat(80, 25), guide] };

function picture(view = { fromS: 0, toS: 80 }, top = 100, w = 800, h = 300) {
  const ctx = new RecordingContext();
  const canvas = { clientWidth: w, clientHeight: h, getContext: () => ctx };
  drawTrace(canvas, { about: ABOUT, drawn: DRAWN }, view, top);
  const foot = h - 26;
  const x = (s) => ((s - view.fromS) / (view.toS - view.fromS)) * w;
  return { ctx, canvas, x, foot, y: (percent) => foot - (percent / top) * (foot - 26) };
}

test("phases and bands of a recording lie at their times, contractions apart from relaxing", () => {
  for (const view of [
    { fromS: 0, toS: 80 },
    { fromS: 25, toS: 45 },
  ]) {
    const { ctx, x, y, foot } = picture(view);
    const [relaxed] = ctx.of("fill", "ground").map((mark) => boundsOf(mark.paths));
    const [contract] = ctx.of("fill", "sleeve").map((mark) => boundsOf(mark.paths));
    const [band] = ctx.of("fill", "in-tint").map((mark) => boundsOf(mark.paths));
    for (const [box, from, to, top, bottom] of [
      [relaxed, 10, 30, 26, foot],
      [contract, 30, 50, 26, foot],
      [band, 30, 50, y(80), y(60)],
    ]) {
      close(box.left, x(from), "from");
      close(box.right, x(to), "to");
      close(box.top, top, "top");
      close(box.bottom, bottom, "bottom");
    }
    assert.deepEqual(boundsOf(ctx.of("stroke", "target")[0].paths), band);
  }
});

test("the channel that is judged is drawn in ink over the others, with its holes and its peak", () => {
  const { ctx, x, y } = picture();
  const [other] = ctx.of("stroke", "edge");
  const [judged] = ctx.of("stroke", "ink");
  assert.ok(ctx.marks.indexOf(judged) > ctx.marks.indexOf(other));
  close(boundsOf(other.paths).top, y(25));
  assert.equal(judged.paths.length, 2);
  close(boundsOf([judged.paths[0]]).right, x(19.5));
  close(boundsOf([judged.paths[1]]).left, x(30.5));
  const peak = judged.paths[1].points.reduce((best, point) => (point[1] < best[1] ? point : best));
  close(peak[0], x(60.5));
  close(peak[1], y(90));
});

test("ratings and the scale of a recording are written where they belong", () => {
  const { ctx, x, y } = picture();
  const texts = ctx.of("text");
  const at = (text) => texts.find((mark) => mark.text === text).paths[0].points[0];
  close(at("6")[0], x(28));
  close(at("–")[0], x(48));
  for (const percent of [0, 20, 40, 60, 80, 100]) close(at(`${percent} %`)[1], y(percent) - 1);
  const minutes = texts.filter(
    (mark) => /^\d:\d\d$/.test(mark.text) && mark.paths[0].points[0][0] > 25 && mark.paths[0].points[0][0] < 775,
  );
  assert.ok(minutes.length >= 3);
  for (const mark of minutes) {
    const [m, s] = mark.text.split(":").map(Number);
    close(mark.paths[0].points[0][0], x(60 * m + s), mark.text);
  }
});

test("a picture is as fine as the screen, up to three dots for each pixel", () => {
  for (const [ratio, scale] of [
    [1, 1],
    [2, 2],
    [3.5, 3],
  ]) {
    globalThis.window.devicePixelRatio = ratio;
    const { ctx, canvas } = picture();
    assert.deepEqual([ctx.scale, canvas.width, canvas.height], [scale, 800 * scale, 300 * scale]);
  }
  globalThis.window.devicePixelRatio = 2;
});

test("traces that stand together share a scale that holds every band and every peak", () => {
  const panel = (band, peak) => ({ about: { guide: 0, phases: [{ band }] }, drawn: { channels: [{ high: [null, peak, 3] }] } });
  assert.equal(findTop([panel([60, 80], 50)]), 100); // a quarter above the band
  close(findTop([panel([60, 80], 120)]), 129.6);
  close(findTop([panel([10, 12], 5), panel([20, 30], 31)]), 37.5);
  assert.equal(findTop([panel(null, 4)]), 20);
});
