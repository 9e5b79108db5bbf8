// The fine lines that lead from the crown of each edge of a band to its number.

import assert from "node:assert/strict";
import { test } from "node:test";

import { digitsOf, frame, labelsOf } from "../../../biofeedback/web/static/shared/gauge-frame.js";
import { draw } from "../../../biofeedback/web/static/shared/gauge.js";
import { COLORS, RecordingContext } from "./recording-context.mjs";

const view = { mode: "target", percent: 71, top: 100, band: [60, 80], bandState: "in", ghost: null };

test("each number is led to from the middle of its edge, along its height to the side, and on to where it stands", () => {
  for (const [w, h] of [
    [300, 190],
    [800, 500],
  ])
    for (const [changes, edges] of [
      [{}, [60, 80]],
      [{ band: [70, 72] }, [70, 72]], // closer than the numbers: they make room, the lines lean
      [{ band: null, ghost: [20, 30] }, [20, 30]],
    ]) {
      const ctx = new RecordingContext();
      draw(ctx, w, h, { ...view, ...changes }, NaN, COLORS);
      const box = frame(w, h, digitsOf(100));
      const leaders = ctx.marks.find(({ kind, color }) => kind === "stroke" && color === "line");
      const written = labelsOf(box, edges, 100);
      assert.equal(leaders.paths.length, 2);
      leaders.paths.forEach(({ points }, k) => {
        const crownY = box.ground - (box.height * edges[k]) / 100;
        const [from, side, end] = points;
        assert.ok(Math.abs(from[0] - (box.left + box.right) / 2) < 0.01 && Math.abs(from[1] - crownY) < 0.01);
        assert.ok(Math.abs(side[0] - box.right) < 0.01 && Math.abs(side[1] - crownY) < 0.01);
        assert.ok(end[0] > side[0] && end[0] < written[k].x && written[k].x - end[0] < box.size && end[1] === written[k].y);
      });
    }
});

test("without a band there is nothing to lead to", () => {
  const ctx = new RecordingContext();
  draw(ctx, 800, 500, { ...view, band: null }, NaN, COLORS);
  assert.deepEqual(
    ctx.of("stroke", "line").filter(({ paths }) => paths.some(({ points }) => points.length === 3)),
    [],
  );
});

test("a hatch lets through what lies under it: its lines are thinner than half the way from one to the next", () => {
  for (const changes of [
    { mode: "lost", percent: NaN },
    { bandState: "above", percent: 95 },
  ]) {
    const ctx = new RecordingContext();
    draw(ctx, 800, 500, { ...view, ...changes }, NaN, COLORS);
    const [hatch] = ctx.marks.filter(({ kind, clip }) => kind === "stroke" && clip);
    const xs = hatch.paths.map(({ points }) => points[0][0]);
    const ways = xs.slice(1).map((x, k) => x - xs[k]);
    assert.ok(ways.length > 10 && ways.every((way) => Math.abs(way - ways[0]) < 0.01));
    assert.ok(hatch.width >= 1 && hatch.width < ways[0] / 2);
  }
});
