// What is to be answered or done before a push may begin.

import assert from "node:assert/strict";
import { test } from "node:test";

import { openCare } from "../../../biofeedback/web/static/shared/care.js";

const at = (care, step = "idle", stage = "maximum") => ({ stage, maximum: { step, care } });
const CARE = { graded: true, ended: null, screened: null };

test("the list stands before the first push, and what there is instead after a yes or an end", () => {
  assert.equal(openCare(at(CARE)), "list");
  assert.equal(openCare(at({ ...CARE, screened: true })), "instead");
  assert.equal(openCare(at({ ...CARE, ended: "it hurt" })), "instead");
  assert.equal(openCare(at({ ...CARE, screened: false })), null);
});

test("nothing is asked in an effort, at another stage, or where no maximum is graded", () => {
  for (const step of ["countdown", "push"]) assert.equal(openCare(at(CARE, step)), null);
  assert.equal(openCare(at(CARE, "rest")), "list");
  for (const stage of ["zero", "ready", "plan", "done"]) assert.equal(openCare(at(CARE, "idle", stage)), null);
  assert.equal(openCare(at({ ...CARE, graded: false })), null);
  assert.equal(openCare(at(undefined)), null);
});
