// What can be done with a recording, without a browser: take it along, give it another code, delete it for good. The
// tests go on from one another.

import assert from "node:assert/strict";
import { test } from "node:test";

import { settle } from "./page-stand-in.mjs";
import {
  list,
  about,
  answers,
  readQuery,
  review,
  text,
  shows,
  told,
  last,
  rows,
  later,
  open,
  confused,
} from "./review-stand-in.mjs";

const { sizeText } = await import("../../../biofeedback/web/static/review/recording-actions.js");
await later();
await open(0);

test("it is taken along in a format that can be written, anonymous when asked", async () => {
  const options = review.$("format").options.map((option) => [option.value, option.disabled]);
  assert.deepEqual(options, [
    ["csv", false],
    ["numpy", false],
    ["edf", true],
    ["bdf", true],
  ]);
  const saved = [];
  const fetched = globalThis.fetch;
  const made = globalThis.document.createElement;
  const headers = { get: () => "attachment; filename*=utf-8''A01%20csv.zip" };
  globalThis.fetch = async (address) => {
    review.asked.push({ address });
    return { ok: true, headers, blob: async () => new Blob(["x"]) };
  };
  globalThis.document.createElement = (tag) =>
    Object.assign(made.call(globalThis.document, tag), {
      click() {
        saved.push(this.getAttribute("download"));
      },
    });
  review.type("format", "numpy");
  review.press("anonymous");
  review.press("download");
  assert.equal(text("export-said"), "Preparing …");
  await settle();
  headers.get = () => 'attachment; filename="A01.npz"';
  review.press("anonymous");
  review.press("download");
  await settle();
  assert.deepEqual(saved, ["A01 csv.zip", "A01.npz"]);
  assert.equal(text("export-said"), "A01.npz is in your downloads.");
  const [first, second] = told("export").map(({ address }) => readQuery(address));
  assert.deepEqual([first.to, first.anonymous, second.anonymous], ["numpy", "1", undefined]);
  globalThis.document.createElement = made;
  globalThis.fetch = fetched;
  review.press("download");
  await settle();
  assert.match(text("export-said"), /^The program does not answer/);
});

test("another code: what goes with it is listed first, and the renamed recording is opened", async () => {
  review.press("open-rename");
  await later();
  assert.equal(review.$("rename").open, true);
  assert.match(text("rename-lead"), /^Its settings, notes and file name will say the new code instead of A0/);
  assert.equal(review.$("rename-beside").hidden, false);
  assert.equal(review.$("rename-files").seen, "one.pdf1 kB");
  review.type("new-code", " A09 ");
  answers.rename = confused("that code is taken");
  review.press("rename-go");
  await later();
  assert.equal(text("rename-said"), "that code is taken");
  assert.equal(review.$("rename").open, true);
  answers.rename = { name: "three" };
  review.press("rename-go");
  await later();
  const { code, files } = last("rename");
  assert.deepEqual([code, files], ["A09", ["one.pdf"]]);
  assert.equal(review.$("rename").open, false);
  assert.equal(text("title"), "A02");
  answers["files-to-delete"] = { code: "A02", files: [{ name: "three.hold", n_bytes: 5000 }] };
  review.press("open-rename");
  await later();
  assert.equal(review.$("rename-beside").hidden, true);
  review.press(review.$("rename").querySelector("[data-close]"));
  assert.equal(review.$("rename").open, false);
});

test("deleting for good wants a yes, the code typed, and tells what is gone", async () => {
  answers["files-to-delete"] = { code: "A02", files: [{ name: "three.hold", n_bytes: 1500000 }] };
  review.press("open-delete");
  assert.equal(text("delete-lead"), "Looking for its files …");
  await later();
  assert.match(text("delete-lead"), /^This file will be overwritten and deleted\. Nobody can bring it back/);
  assert.equal(text("files-to-delete"), "three.hold1.5 MB");
  assert.deepEqual(shows("delete-sure", "delete-typing"), [true, false]);
  review.press("delete-sure");
  assert.deepEqual(shows("delete-sure", "delete-typing"), [false, true]);
  assert.equal(review.page.activeElement, review.$("typed-code"));
  assert.equal(text("typed-label"), "Type A02 to delete for good");
  for (const [typed, off] of [
    ["", true],
    ["A01", true],
    [" A02 ", false],
  ]) {
    review.type("typed-code", typed);
    assert.equal(review.$("delete-go").disabled, off, typed);
  }
  answers.list = { ...list, entries: list.entries.slice(0, 2) };
  answers.delete = { n_files: 1 };
  review.press("delete-go");
  await later();
  assert.deepEqual(last("delete"), { name: "three", code: "A02", files: ["three.hold"] });
  assert.equal(review.$("delete").open, false);
  assert.deepEqual([text("title"), text("summary")], ["Deleted", "1 file of A02 deleted for good. Choose another recording."]);
  assert.deepEqual(shows("opened", "recording-actions"), [false, false]);
  assert.equal(rows().length, 2);
  answers["files-to-delete"] = confused("it is gone already");
  await open(0);
  review.press("open-delete");
  await later();
  assert.equal(text("delete-lead"), "it is gone already");
  assert.deepEqual(shows("delete-sure", "delete-typing"), [false, false]);
});

test("elsewhere than at the computer that records a change waits for a yes there, and says so", async () => {
  answers.list = { ...list, here: false };
  answers.rename = confused("still there");
  answers["files-to-delete"] = { code: "A01", files: [] };
  await open(0);
  review.press("open-rename");
  await later();
  review.press("rename-go"); // the list is read anew
  await later();
  answers.about = confused("x");
  await open(0);
  answers.about = () => about;
  await open(0);
  assert.deepEqual(shows("asked-there", "to-bring"), [true, false]);
  let answer;
  answers.rename = () => new Promise((done) => (answer = done));
  review.press("open-rename");
  await later();
  review.press("rename-go");
  assert.equal(review.$("rename-go").disabled, true);
  assert.equal(text("rename-said"), "The computer that records asks for a yes, within 60 s. Leave this open.");
  review.pass(11000);
  assert.match(text("rename-said"), /within 50 s/);
  review.pass(60000);
  assert.match(text("rename-said"), /within 10 s/);
  answer({ name: "one" });
  await later();
  assert.deepEqual([review.$("rename-go").disabled, text("rename-said"), review.$("rename").open], [false, "", false]);
});

test("the size of a file is told in kilobytes, from a million bytes on in megabytes", () => {
  assert.deepEqual([0, 300, 1500, 999499, 1000000, 12345678].map(sizeText), [
    "1 kB",
    "1 kB",
    "2 kB",
    "999 kB",
    "1.0 MB",
    "12.3 MB",
  ]);
});
