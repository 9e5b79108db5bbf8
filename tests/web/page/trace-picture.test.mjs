// The picture of a recorded trace on the review page: what is drawn where, in which colour, computed again from the data.

import assert from "node:assert/strict";
import { test } from "node:test";

import { RecordingContext, boundsOf, crossings } from "./recording-context.mjs";

globalThis.window = { devicePixelRatio: 2 };
globalThis.document = { documentElement: {} };
globalThis.getComputedStyle = () => ({ getPropertyValue: (name) => ` ${name.slice(2)}` });
const { drawTrace, findTop } = await import("../../../biofeedback/web/static/review/trace-picture.js");

const [W, H, HEAD, FOOT] = [800, 226, 26, 200];
const PHASES = [
  { from_s: 0, to_s: 20, band: null, kind: "passive" },
  { from_s: 20, to_s: 40, band: [20, 30], kind: "contract" },
  { from_s: 40, to_s: 60, band: null, kind: "rest" },
];
const about = {
  phases: PHASES,
  ratings: [
    { time_s: 15, value: 6 },
    { time_s: 35, value: null },
  ],
  guide: 1,
};
const column = (value) => Array.from({ length: 60 }, () => value);
const drawn = {
  from_s: 0,
  to_s: 60,
  channels: [
    { low: column(5), high: column(8) },
    { low: column(24).fill(null, 30, 40), high: column(26) },
  ],
};

function draw(view = { fromS: 0, toS: 60 }, top = 40, panel = { about, drawn }) {
  const ctx = new RecordingContext();
  drawTrace({ clientWidth: W, clientHeight: H, getContext: () => ctx }, panel, view, top);
  return ctx;
}

const xOf = (s, { fromS, toS } = { fromS: 0, toS: 60 }) => ((s - fromS) / (toS - fromS)) * W;
const yOf = (percent, top = 40) => FOOT - (percent / top) * (FOOT - HEAD);
const near = (found, wanted) => assert.ok(Math.abs(found - wanted) < 0.01, `${found} instead of ${wanted}`);

test("phases stand where they were held, contractions apart from the rest", () => {
  const ctx = draw();
  const [sleeve, ...others] = ctx.of("fill", "sleeve");
  assert.equal(others.length, 0);
  const box = boundsOf(sleeve.paths);
  near(box.left, xOf(20));
  near(box.right, xOf(40));
  near(box.top, HEAD);
  near(box.bottom, FOOT);
  assert.equal(ctx.of("fill", "ground").length, 2);
});

test("the band lies between its two efforts, with an edge round it", () => {
  for (const top of [40, 100]) {
    const ctx = draw(undefined, top);
    for (const mark of [...ctx.of("fill", "in-tint"), ...ctx.of("stroke", "target")]) {
      const box = boundsOf(mark.paths);
      near(box.left, xOf(20));
      near(box.right, xOf(40));
      near(box.top, yOf(30, top));
      near(box.bottom, yOf(20, top));
    }
    assert.equal(ctx.of("fill", "in-tint").length, 1);
    assert.equal(ctx.of("stroke", "target").length, 1);
  }
});

test("the guide is the strong line; every peak shows and a gap stays open", () => {
  const ctx = draw();
  const [guide] = ctx.of("stroke", "ink");
  const [other] = ctx.of("stroke", "edge");
  assert.ok(guide.width > other.width);
  const guideAt = crossings(guide.paths, xOf(10.5));
  near(Math.min(...guideAt), yOf(26));
  near(Math.max(...guideAt), yOf(24));
  near(Math.min(...crossings(other.paths, xOf(10.5))), yOf(8));
  assert.deepEqual(crossings(guide.paths, xOf(35)), []);
  assert.equal(guide.paths.length, 2);
});

test("an effort below zero stands on the ground line", () => {
  const low = { ...drawn, channels: [drawn.channels[0], { low: column(-5), high: column(-1) }] };
  const [guide] = draw(undefined, 40, { about, drawn: low }).of("stroke", "ink");
  for (const { points } of guide.paths) for (const [, y] of points) near(y, FOOT);
});

test("each rating stands at its time, an unanswered one as a dash, its line dashed", () => {
  const ctx = draw();
  const ratings = ctx.of("text", "ink");
  assert.deepEqual(
    ratings.map(({ text }) => text),
    ["6", "–"],
  );
  near(ratings[0].paths[0].points[0][0], xOf(15));
  near(ratings[1].paths[0].points[0][0], xOf(35));
  const lines = ctx.of("stroke", "ink2").filter((mark) => mark.dash.length);
  assert.deepEqual(
    lines.map((line) => line.paths[0].points.map(([x]) => x)),
    [
      [xOf(15), xOf(15)],
      [xOf(35), xOf(35)],
    ],
  );
});

test("percent and seconds are written beside the place that they name, zoomed or not", () => {
  for (const view of [
    { fromS: 0, toS: 60 },
    { fromS: 20, toS: 26 },
  ]) {
    const ctx = draw(view);
    const texts = ctx.of("text", "ink2");
    const percents = texts.filter(({ text }) => text.endsWith("%"));
    assert.deepEqual(
      percents.map(({ text }) => text),
      ["0 %", "10 %", "20 %", "30 %", "40 %"],
    );
    percents.forEach(({ paths }, k) => near(paths[0].points[0][1], yOf(10 * k) - 1));
    const clock = (text) => text.split(":").reduce((sum, part) => 60 * sum + Number(part), 0);
    const moments = texts.filter(
      ({ text, paths }) => text.includes(":") && paths[0].points[0][0] > 20 && paths[0].points[0][0] < W - 22,
    );
    assert.ok(moments.length >= 3);
    for (const { text, paths } of moments) near(paths[0].points[0][0], xOf(clock(text), view));
  }
});

test("moments have tenths only where they lie closer than a second", () => {
  for (const [view, texts] of [
    [{ fromS: 10, toS: 18 }, ["0:10", "0:11", "0:12", "0:13", "0:14", "0:15", "0:16", "0:17", "0:18"]],
    [{ fromS: 10, toS: 14 }, ["0:10.0", "0:10.5", "0:11.0", "0:11.5", "0:12.0", "0:12.5", "0:13.0", "0:13.5", "0:14.0"]],
  ])
    assert.deepEqual(
      draw(view)
        .of("text", "ink2")
        .map(({ text }) => text)
        .filter((text) => text.includes(":")),
      texts,
    );
  const narrow = new RecordingContext();
  drawTrace({ clientWidth: 180, clientHeight: H, getContext: () => narrow }, { about, drawn }, { fromS: 10, toS: 10.5 }, 40);
  const moments = narrow.of("text", "ink2").filter(({ text }) => text.includes(":"));
  assert.deepEqual(
    moments.map(({ text }) => text),
    ["0:10.0", "0:10.5"],
  );
});

test("traces that stand together share a scale that holds every band and every peak", () => {
  assert.equal(findTop([]), 20);
  near(findTop([{ about, drawn }]), 37.5); // a quarter above the band's 30
  const high = {
    ...drawn,
    channels: [
      { low: [0], high: [500] },
      { low: [0], high: [90] },
    ],
  };
  near(
    findTop([
      { about, drawn },
      { about, drawn: high },
    ]),
    97.2,
  ); // the guide's 90 and some room; the other's 500 is no effort
  near(findTop([{ about, drawn: null }]), 37.5);
});
