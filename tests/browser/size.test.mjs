// A child's page stays below 3 MB, at 400 parcels, 1200 frames and two runs; and still works.
import assert from "node:assert/strict";
import { statSync } from "node:fs";
import { after, before, test } from "node:test";
import { browser, filePage, settled } from "./support/browser.mjs";
import { cohort, edit } from "./support/study.mjs";

let chrome;
let page;
before(async () => {
  const study = cohort(["--children", "1", "--frames", "1200", "--runs", "2", "--parcels", "400", "--seed", "51"], (place) => {
    edit(`${place}/study.toml`, (text) => text.replace('["pearson"]', '["pearson", "spearman", "partial"]'));
  });
  page = study.child("sub-01", "sub-01_report.html");
  assert.equal(study.rows()[0].runs_joined, "2");
  chrome = await browser();
});
after(() => chrome?.close());

test("a child's page is smaller than 3 MB", (t) => {
  const { size } = statSync(page);
  t.diagnostic(`${size} bytes`);
  assert.ok(size > 500_000, "the page holds what it is to hold");
  assert.ok(size < 3_000_000, `${size} bytes`);
});

test("it draws both runs and the matrix of 400 parcels", async () => {
  const { page: opened, done } = await filePage(chrome, page);
  const drawn = await opened.$$eval(".ribbon canvas[role=img], #matrix canvas, #slices canvas", (all) => all.map((canvas) =>
    new Set(new Uint32Array(canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data.buffer)).size));
  assert.equal(drawn.length, 2 + 1 + 6);
  for (const colours of drawn) assert.ok(colours > 20, String(drawn));
  const slider = opened.getByRole("slider").nth(1);
  assert.equal(await slider.getAttribute("max"), "1199");
  await opened.keyboard.press("r");
  await settled(opened);
  assert.equal(await opened.$eval("#matrix canvas", (canvas) => canvas.width), 400);
  await done();
});
