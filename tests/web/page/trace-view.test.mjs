import assert from "node:assert/strict";
import { test } from "node:test";

import {
  SHORTEST_S,
  align,
  confine,
  fits,
  momentText,
  move,
  ratingOf,
  ticks,
  zoom,
} from "../../../biofeedback/web/static/review/trace-view.js";

const close = (a, b) => assert.ok(Math.abs(a - b) < 1e-9, `${a} is not ${b}`);

test("what is on screen stays inside the recording", () => {
  assert.deepEqual(confine({ fromS: -5, toS: 15 }, 100), { fromS: 0, toS: 20 });
  assert.deepEqual(confine({ fromS: 95, toS: 115 }, 100), { fromS: 80, toS: 100 });
  assert.deepEqual(confine({ fromS: -500, toS: 900 }, 100), { fromS: 0, toS: 100 });
  const tiny = confine({ fromS: 50, toS: 50 }, 100);
  close(tiny.toS - tiny.fromS, SHORTEST_S);
});

test("zooming keeps the moment under the pointer in its place", () => {
  const view = zoom({ fromS: 10, toS: 30 }, 0.5, 15, 100);
  close((15 - view.fromS) / (view.toS - view.fromS), 0.25);
  close(view.toS - view.fromS, 10);
});

test("moving keeps the length", () => {
  const view = move({ fromS: 10, toS: 30 }, 0.5, 100);
  assert.deepEqual(view, { fromS: 20, toS: 40 });
  assert.deepEqual(move({ fromS: 85, toS: 100 }, 3, 100), { fromS: 85, toS: 100 });
});

test("axis steps are round and few", () => {
  assert.deepEqual(ticks(0, 60, 6), [0, 10, 20, 30, 40, 50, 60]);
  for (const [from, to] of [
    [0, 1],
    [3.3, 4.1],
    [0, 3600],
    [100, 50000],
  ]) {
    const marks = ticks(from, to, 8);
    assert.ok(marks.length >= 2 && marks.length <= 10, `${from} ${to} ${marks}`);
  }
});

test("moments are read as minutes and seconds", () => {
  assert.equal(momentText(0), "0:00");
  assert.equal(momentText(59.96), "1:00");
  assert.equal(momentText(185), "3:05");
  assert.equal(momentText(185.24, true), "3:05.2");
});

test("a search needs all its words, in any order", () => {
  const entry = { name: "A01.hold", athlete: "A01", exercise: "standing hamstring stretch", side: "left", word: "less" };
  assert.ok(fits(entry, "a01 LEFT"));
  assert.ok(fits(entry, ""));
  assert.ok(!fits(entry, "a01 right"));
});

test("recordings side by side begin their plans at the same place and end with the longer one", () => {
  assert.deepEqual(align([{ originS: 30, durationS: 100 }]), { startS: 30, shiftsS: [0], totalS: 100 });
  assert.deepEqual(
    align([
      { originS: 30, durationS: 100 },
      { originS: 10, durationS: 95 },
    ]),
    { startS: 30, shiftsS: [0, 20], totalS: 115 },
  );
});

test("a phase shows the rating that it asked for, also when the answer came in the next one", () => {
  const ratings = [
    { time_s: 9, value: 6, phase: 1 },
    { time_s: 21, value: 3, phase: 2 }, // phase 2 ended at 20 s
    { time_s: 22, value: null, phase: 2 },
    { time_s: 29, value: null, phase: 3 },
    { time_s: 30, value: 8, phase: null },
  ];
  assert.deepEqual(
    [1, 2, 3, 4].map((number) => ratingOf(ratings, number)?.value),
    [6, 3, null, undefined],
  );
});
