import assert from "node:assert/strict";
import { test } from "node:test";

import * as use from "../../../biofeedback/web/static/live/in-use.js";

test("a scale is a certificate, a factor that came with the source, or nothing", () => {
  const certificate = { sensor: "S1", utc: "2026-11-20T09:00:00+00:00", file: "S1-force.json" };
  assert.equal(use.scaleText({ scale: certificate, factor: 0.0042 }, "N"), "certificate of S1, 2026-11-20");
  assert.equal(
    use.scaleText({ scale: null, factor: 0.00420001 }, "N"),
    "0.0042 N per count, given with the source; no certificate",
  );
  assert.equal(use.scaleText({ scale: null, factor: null }, "count"), "raw counts: no unit");
});

test("a zero ages", () => {
  assert.equal(use.zeroText({ zeroed_s: null }, 100), "none yet");
  assert.equal(use.zeroText({ zeroed_s: 50 }, 100), "less than a minute old");
  assert.equal(use.zeroText({ zeroed_s: 0 }, 60 * 12.4), "12 min old");
  assert.equal(use.zeroText({ zeroed_s: 0 }, 3600 * 2 + 300), "2 h 5 min old");
});

test("a maximum says its value, where it is from and when it was taken", () => {
  const maximum = { strength: 412.34, unit: "N", method: "attempts", utc: "", n_attempts: 3 };
  assert.equal(use.maximumText({ maximum }), "412 N, measured, best of 3");
  assert.equal(
    use.maximumText({ maximum: { ...maximum, method: "typed", n_attempts: 1, strength: 31.52 } }),
    "31.5 N, typed from a display",
  );
  assert.equal(
    use.maximumText({ maximum: { ...maximum, method: "carried", utc: "2026-11-18" } }),
    "412 N, carried over, 2026-11-18",
  );
  assert.equal(use.maximumText({ maximum: null }), "none yet");
});

test("a date is told as this computer's clock would", () => {
  const local = new Date("2026-11-25T18:04:00Z");
  assert.match(
    use.whenText("2026-11-25T18:04:00+00:00"),
    new RegExp(`^2026-11-2[456] ${String(local.getHours()).padStart(2, "0")}:${String(local.getMinutes()).padStart(2, "0")}$`),
  );
  assert.equal(use.whenText("yesterday"), "yesterday");
});
