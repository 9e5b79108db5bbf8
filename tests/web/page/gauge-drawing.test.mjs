// What the athlete looks at: where the form, its sleeve, the ground and the time left are drawn, in which colour and hatch.
// Heights are computed here from the effort: share of the scale times the way from the ground to the scale's top.

import assert from "node:assert/strict";
import { test } from "node:test";

import { digitsOf, frame } from "../../../biofeedback/web/static/shared/gauge-frame.js";
import { draw } from "../../../biofeedback/web/static/shared/gauge.js";
import { COLORS, RecordingContext, boundsOf, crossings } from "./recording-context.mjs";

const SIZES = [
  [300, 190],
  [390, 320],
  [800, 500],
  [1900, 760],
];
const BAND = [60, 80];
const TOP = 100;
const TINTS = { none: "restTint", below: "belowTint", in: "inTint", above: "aboveTint" };
const LINES = { none: "rest", below: "below", in: "in", above: "above" };
const PERCENT = { none: 30, below: 45, in: 71, above: 92 };

const viewOf = (changes = {}) => ({
  mode: "target",
  percent: 71,
  top: TOP,
  band: BAND,
  bandState: "in",
  ghost: null,
  ...changes,
});

function drawn(view, { w = 800, h = 500, share = NaN } = {}) {
  const ctx = new RecordingContext();
  draw(ctx, w, h, view, share, COLORS);
  const { left, right, ground, height } = frame(w, h, digitsOf(view.top));
  return { ctx, left, right, ground, height, middle: (left + right) / 2, yOf: (percent) => ground - (height * percent) / TOP };
}

const near = (found, expected, words = "") => {
  assert.equal(found.length, expected.length, `${words}: ${found} against ${expected}`);
  found.forEach((y, k) => assert.ok(Math.abs(y - expected[k]) < 0.01, `${words}: ${found} against ${expected}`));
};

const dashedEdges = (ctx, color) => ctx.of("stroke", color).filter((mark) => mark.dash.length);
const solidEdges = (ctx, color) => ctx.of("stroke", color).filter((mark) => !mark.dash.length && !mark.clip);
const hatches = (ctx) => ctx.of("stroke").filter((mark) => mark.clip);

for (const [w, h] of SIZES) {
  for (const state of ["none", "below", "in", "above"]) {
    test(`${w} x ${h}: ${state}: the belly stands as high as the effort, in the state's own colours`, () => {
      for (const percent of [PERCENT[state], PERCENT[state] + 3.7]) {
        const { ctx, ground, middle, yOf } = drawn(viewOf({ percent, bandState: state }), { w, h });
        const tints = Object.values(TINTS).flatMap((color) => ctx.of("fill", color));
        assert.deepEqual(
          tints.map((mark) => mark.color),
          [TINTS[state]],
          "one belly, in one tint",
        );
        near(crossings(tints[0].paths, middle), [yOf(percent), ground], "belly at its middle");
        const outlines = ["rest", "below", "above"].flatMap((color) => solidEdges(ctx, color));
        if (state === "in") assert.deepEqual(outlines, []);
        else {
          assert.deepEqual(
            outlines.map((mark) => mark.color),
            [LINES[state]],
          );
          near(crossings(outlines[0].paths, middle), [yOf(percent)], "its outline");
        }
      }
    });

    test(`${w} x ${h}: ${state}: the sleeve lies between the band's edges, fixed at both feet`, () => {
      const { ctx, left, right, ground, middle, yOf } = drawn(viewOf({ percent: PERCENT[state], bandState: state }), { w, h });
      const [empty, ...more] = ctx.of("fill", "sleeve");
      assert.deepEqual(more, []);
      near(crossings(empty.paths, middle), [yOf(BAND[1]), yOf(BAND[0])], "the empty sleeve");
      const bounds = boundsOf(empty.paths);
      near([bounds.left, bounds.right, bounds.bottom, bounds.top], [left, right, ground, yOf(BAND[1])], "its feet");
      const edges = dashedEdges(ctx, "target");
      const filled = ctx.of("fill", "in");
      if (state === "in") {
        assert.deepEqual(edges, [], "a full sleeve has no dashes");
        assert.equal(filled.length, 1);
        near(crossings(filled[0].paths, middle), [yOf(BAND[1]), yOf(BAND[0])], "the full sleeve");
        near(
          solidEdges(ctx, "in")
            .flatMap((mark) => crossings(mark.paths, middle))
            .sort((a, b) => a - b),
          [yOf(BAND[1]), yOf(BAND[0])],
          "its edges",
        );
      } else {
        assert.deepEqual(filled, [], "only an effort in the band fills the sleeve");
        near(
          edges.map((mark) => crossings(mark.paths, middle)[0]),
          [yOf(BAND[0]), yOf(BAND[1])],
          "dashed edges",
        );
      }
    });
  }
}

test("an effort beyond the scale is marked by two arrows that point up, whole, inside the top of the scale", () => {
  for (const [w, h] of SIZES) {
    const { ctx, left, right, ground, height, middle } = drawn(viewOf({ percent: 130, bandState: "above" }), { w, h });
    const arrows = solidEdges(ctx, "above").filter((mark) => mark.paths.length === 2);
    assert.equal(arrows.length, 1);
    for (const [k, [foot, tip, other]] of arrows[0].paths.map(({ points }) => points).entries()) {
      near([(foot[0] + other[0]) / 2, other[1]], [tip[0], foot[1]], "even");
      assert.ok(ground - height < tip[1] && tip[1] < foot[1] && foot[1] < ground - height / 2, "up, at the top, and whole");
      assert.ok(k ? foot[0] > middle && other[0] < right : foot[0] > left && other[0] < middle, "one on each side");
    }
  }
});

test("pushing while relaxing is asked for is hatched from the ground on", () => {
  const { ctx, ground, middle, yOf } = drawn(viewOf({ mode: "free", band: null, percent: 53, bandState: "pushing" }));
  const [hatch, ...more] = hatches(ctx);
  assert.deepEqual(more, []);
  near(crossings(hatch.clip, middle), [yOf(53), ground]);
  assert.equal(ctx.of("fill", "aboveTint").length, 1);
});

test("only too much is hatched: what spills out above the band, between its upper edge and the crown", () => {
  for (const state of ["none", "below", "in"])
    assert.deepEqual(hatches(drawn(viewOf({ percent: PERCENT[state], bandState: state })).ctx), []);
  const { ctx, middle, yOf } = drawn(viewOf({ percent: 92, bandState: "above" }));
  const [hatch, ...more] = hatches(ctx);
  assert.deepEqual(more, []);
  assert.equal(hatch.color, "above");
  near(crossings(hatch.clip, middle), [yOf(92), yOf(80)], "where the hatch shows");
  assert.ok(
    hatch.paths.length > 20 && hatch.paths.every(({ points: [[, y0], [, y1]] }) => y0 > yOf(80) && y1 < yOf(92)),
    "lines right through",
  );
});

test("in the band a fine line in the sleeve shows where the effort stands, never outside it", () => {
  for (const [percent, shown] of [
    [61, 61],
    [71, 71],
    [79.5, 79.5],
    [59.4, 60],
    [80.6, 80],
  ]) {
    const { ctx, middle, yOf } = drawn(viewOf({ percent }));
    near(
      solidEdges(ctx, "panel").flatMap((mark) => crossings(mark.paths, middle)),
      [yOf(shown)],
      `at ${percent} %`,
    );
  }
});

test("the band's edges are written in the column, each on the height of its crown, right of all that is drawn", () => {
  for (const [w, h] of SIZES)
    for (const percent of [0, 7, 70, 100, 145]) {
      const bandState = percent < 62 ? "below" : percent > 85 ? "above" : "in";
      const { ctx, right, yOf } = drawn(viewOf({ band: [62, 85], percent, bandState }), { w, h });
      const labels = ctx.of("text");
      assert.deepEqual(
        labels.map(({ text, color }) => [text, color]),
        [
          ["62", "ink"],
          ["85", "ink"],
        ],
      );
      near(
        labels.map(({ paths }) => paths[0].points[0][1]),
        [yOf(62), yOf(85)],
        "on the height of the crowns",
      );
      const drawnPoints = ctx.marks
        .filter(({ kind, color }) => kind !== "text" && kind !== "clear" && color !== "line")
        .flatMap(({ paths, clip }) => (clip ?? paths).flatMap(({ points }) => points));
      const furthest = Math.max(...drawnPoints.map(([x]) => x));
      assert.ok(furthest <= right + 1e-9, `${percent} %: drawn up to ${furthest} of ${right}`);
      for (const { paths } of labels) assert.ok(paths[0].points[0][0] > right + 4);
    }
});

test("an effort beyond the scale stays in the picture and says so with two marks", () => {
  const marks = (percent) =>
    solidEdges(drawn(viewOf({ percent, bandState: "above" })).ctx, "above").filter((mark) => mark.paths.length === 2);
  assert.equal(marks(100).length, 0);
  const { ctx, ground, height, middle } = drawn(viewOf({ percent: 130, bandState: "above" }));
  near(crossings(ctx.of("fill", "aboveTint")[0].paths, middle), [ground - height, ground]);
  const [chevrons] = marks(130);
  const [one, other] = chevrons.paths.map((path) => path.points);
  assert.ok(Math.abs(one[1][0] + other[1][0] - 2 * middle) < 1e-6, "one on each side");
  for (const [from, tip, to] of [one, other]) {
    near([from[1] - tip[1], to[0] - tip[0]], [to[1] - tip[1], tip[0] - from[0]], "as deep as wide, on both sides");
  }
  for (const [from, tip, to] of [one, other])
    assert.ok(tip[1] < from[1] && tip[1] < to[1] && from[0] < tip[0] && tip[0] < to[0], "pointing up");
});

test("the crown stands out: its line is thicker than the band's edges, and both than the outline of what comes", () => {
  for (const [w, h] of SIZES) {
    const { ctx } = drawn(viewOf({ percent: 45, bandState: "below", ghost: [20, 30] }), { w, h });
    const [crown] = solidEdges(ctx, "below");
    const [edge] = dashedEdges(ctx, "target");
    assert.ok(crown.width >= 6 && crown.width > 2 * edge.width && edge.width >= 2.4);
    assert.ok(edge.dash[0] > edge.dash[1] && edge.dash[1] > edge.width, "dashes, not dots");
    const [dots] = dashedEdges(ctx, "edge");
    assert.ok(dots.dash[0] < dots.dash[1], "dots, not dashes");
  }
});

test("a band's numbers are large enough to read and small enough to fit", () => {
  for (const [w, h] of SIZES) {
    const [{ font }] = drawn(viewOf({ band: [60, 80] }), { w, h }).ctx.of("text");
    const px = parseFloat(/(\d+(\.\d+)?)px/.exec(font)[1]);
    assert.ok(px >= 13 && px <= 40 && Math.abs(px - Math.max(13, Math.min(40, 0.12 * h, 0.13 * w))) < 1e-9, `${w} x ${h}: ${px}`);
  }
});

test("no effort, no belly; an effort of nothing lies on the ground", () => {
  const absent = drawn(viewOf({ percent: NaN, bandState: "none" })).ctx;
  for (const color of Object.values(TINTS)) assert.deepEqual(absent.of("fill", color), []);
  for (const percent of [0, -6]) {
    const { ctx, ground, middle } = drawn(viewOf({ percent, bandState: "none" }));
    near(crossings(ctx.of("fill", "restTint")[0].paths, middle), [ground]);
  }
});

test("without a live number the form is hatched in grey and dashed, whatever the band", () => {
  for (const mode of ["lost", "uncalibrated"]) {
    for (const band of [BAND, null]) {
      const { ctx, ground, height, middle } = drawn(viewOf({ mode, band, percent: NaN, bandState: "none" }));
      const [hatch, ...more] = hatches(ctx);
      assert.deepEqual(more, []);
      assert.equal(hatch.color, "line");
      near(crossings(hatch.clip, middle), [ground - 0.62 * height, ground]);
      near(
        dashedEdges(ctx, "ink2").flatMap((mark) => crossings(mark.paths, middle)),
        [ground - 0.62 * height],
      );
      assert.equal(ctx.of("fill", "sleeve").length, band ? 1 : 0);
    }
  }
  for (const mode of ["free", "target", "timer"]) assert.deepEqual(dashedEdges(drawn(viewOf({ mode })).ctx, "ink2"), []);
});

test("what comes next is a thin dotted outline, and nothing else of a band", () => {
  const { ctx, middle, yOf } = drawn(viewOf({ mode: "free", band: null, ghost: [20, 30], percent: 3, bandState: "none" }));
  near(
    dashedEdges(ctx, "edge").flatMap((mark) => crossings(mark.paths, middle)),
    [yOf(20), yOf(30)],
  );
  assert.deepEqual(ctx.of("fill", "sleeve"), []);
  assert.deepEqual(dashedEdges(ctx, "target"), []);
  assert.deepEqual(
    ctx.of("text").map(({ text, color }) => [text, color]),
    [
      ["20", "ink2"],
      ["30", "ink2"],
    ],
  );
});

test("the ground is the time left: full at the start, gone at the end, drawing in from both ends", () => {
  for (const [w, h] of SIZES) {
    for (const share of [1, 0.75, 0.5, 0.25, 0.02, 1.2]) {
      const { ctx, left, right, ground, middle } = drawn(viewOf(), { w, h, share });
      const level = ctx.of("stroke").filter((mark) => mark.cap === "round");
      assert.deepEqual(
        level.map((mark) => mark.color),
        ["line", "ink"],
        "first the ground, the time on it",
      );
      near(level[0].paths[0].points.flat(), [left, ground, right, ground]);
      const half = ((right - left) / 2) * Math.min(1, share);
      near(level[1].paths[0].points.flat(), [middle - half, ground, middle + half, ground], `${share} left`);
      assert.ok(level[1].width > level[0].width);
    }
    for (const share of [0, -0.1, NaN]) {
      const level = drawn(viewOf(), { w, h, share })
        .ctx.of("stroke")
        .filter((mark) => mark.cap === "round");
      assert.deepEqual(
        level.map((mark) => mark.color),
        ["line"],
        `${share}`,
      );
    }
  }
});

test("every picture begins on an empty canvas, and nothing is left switched on for the next one", () => {
  for (const state of ["none", "below", "in", "above"]) {
    const { ctx } = drawn(viewOf({ bandState: state, percent: PERCENT[state] }), { share: 0.4 });
    assert.equal(ctx.marks[0].kind, "clear");
    near(ctx.marks[0].paths[0].points.flat(), [0, 0, 800, 0, 800, 500, 0, 500]);
    assert.equal(ctx.of("clear").length, 1);
    assert.deepEqual([ctx.saved.length, ctx.dash, ctx.clipped, ctx.lineCap], [0, [], null, "butt"]);
  }
});
