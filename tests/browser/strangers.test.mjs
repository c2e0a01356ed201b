// Text of strangers: markup in names of parcels and networks, cells and columns of the participants table, types of the
// watch log, reasons, notes and the study's name is shown as text, and never run.
import assert from "node:assert/strict";
import { appendFileSync, existsSync, mkdirSync, readFileSync, readdirSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { after, before, test } from "node:test";
import { answering, browser, drawn, filePage, servedPage, settled } from "./support/browser.mjs";
import { cohort, edit, serve, table } from "./support/study.mjs";

const SCRIPT = "<script>window.hacked=1</script>";
const IMAGE = '"><img src=x onerror=window.hacked=2>';
const CLOSE = "</script><svg onload=window.hacked=3>";

let chrome;
let study;
let stem;
before(async () => {
  chrome = await browser();
  study = cohort(["--children", "5", "--frames", "200", "--seed", "41"], (place) => {
    const cells = (path, change) => edit(path, (text) => text.trimEnd().split("\n").map((line, at) => change(line.split("\t"), at).join("\t")).join("\n") + "\n");
    cells(join(place, "atlas.tsv"), (c, at) => (at === 0 ? c : [c[0], c[1] + [SCRIPT, IMAGE, CLOSE][at % 3], c[2] + (at < 20 ? IMAGE : CLOSE), ...c.slice(3)]));
    cells(join(place, "participants.tsv"), (c, at) => (at === 0 ? [...c, `nursery${SCRIPT}`] : [...c.slice(0, 3), c[3] + SCRIPT, IMAGE + CLOSE]));
    edit(join(place, "study.toml"), (text) => text.replace(/name( *)= "Invented children of Lantern Island"/, `name$1= 'Lantern ${SCRIPT}${IMAGE}'`));
    let logs = 0;
    for (const child of readdirSync(place).filter((name) => name.startsWith("sub-"))) {
      for (const file of readdirSync(join(place, child, "func")).filter((name) => name.endsWith("_watch.tsv"))) {
        cells(join(place, child, "func", file), (c, at) => (at === 0 ? c : [...c.slice(0, 2), `crying${[SCRIPT, IMAGE][at % 2]}`]));
        logs += 1;
      }
    }
    assert.ok(logs > 0);
    const review = join(place, "results", "review");
    mkdirSync(review, { recursive: true });
    writeFileSync(join(review, "reasons.txt"), `too restless\nodd ${IMAGE}\nodd ${SCRIPT}\n`);
  });
  const found = study.rows().find((row) => row.dropped_logged !== "0" && row.runs_joined === "1");
  stem = found.participant_id;
});
after(() => chrome?.close());

/** Nothing of it ran, nothing of it became an element. */
async function harmless(page) {
  await settled(page);
  const found = await page.evaluate(() => ({ hacked: window.hacked, made: document.querySelectorAll("img, [onerror], [onload]").length, scripts: document.scripts.length }));
  assert.deepEqual(found, { hacked: undefined, made: 0, scripts: 2 });
}
const all = (page) => page.evaluate(() => {
  document.querySelectorAll("details").forEach((one) => { one.open = true; });
  return document.body.innerText;
});

async function cohortShows(page) {
  const text = await all(page);
  assert.ok(text.includes(`Lantern ${SCRIPT}${IMAGE}`), "the study's name");
  const cells = await page.$$eval("#table tbody tr[data-stem]", (rows) => rows.map((row) => [...row.cells].map((cell) => cell.textContent)));
  assert.ok(cells.every((row) => row.some((cell) => cell.endsWith(SCRIPT)) && row.includes(IMAGE + CLOSE)), "cells");
  assert.ok((await page.$$eval("#table thead button", (all) => all.map((b) => b.textContent))).includes(`nursery${SCRIPT}`), "the column's name");
  // As choices of a filter, and chosen.
  await page.getByRole("combobox", { name: `nursery${SCRIPT}` }).selectOption(IMAGE + CLOSE);
  assert.equal(await page.textContent("#count"), "5 rows.");
  await page.fill("#text", "onerror");
  assert.equal(await page.textContent("#count"), "5 rows.");
  await harmless(page);
}

async function childShows(page) {
  const text = await all(page);
  assert.ok(text.includes(`Lantern ${SCRIPT}${IMAGE}`), "the study's name");
  const parcels = await page.$$eval("#coverage tbody th", (cells) => cells.map((cell) => cell.textContent));
  for (const word of [SCRIPT, IMAGE, CLOSE]) assert.ok(parcels.some((name) => name.endsWith(word)), word);
  const networks = await page.$$eval("#coverage tbody tr", (rows) => rows.map((row) => row.cells[1].textContent));
  assert.ok(networks.some((name) => name.endsWith(IMAGE)) && networks.some((name) => name.endsWith(CLOSE)));
  const lines = table(study.child(stem, `${stem}_task-rest_run-1_frames.tsv`));
  await page.getByRole("slider").fill(lines.find((line) => line.reasons.includes("logged")).frame);
  assert.match(await page.textContent(".ribbon .read"), /watch log: crying(<script>|"><img)/);
  await page.getByRole("application").focus();
  for (const key of ["ArrowDown", "ArrowDown", "ArrowRight", "ArrowDown"]) await page.keyboard.press(key);
  assert.match(await page.textContent("#matrix output"), /<(script|img|svg)/);
  for (const key of ["d", "g", "r"]) await page.keyboard.press(key);
  await harmless(page);
}

test("the tables hold the strangers' text as it came", () => {
  const file = readdirSync(join(study.results, stem, "func")).find((name) => name.endsWith("_parcels.tsv"));
  assert.ok(readFileSync(study.child(stem, file), "utf8").includes(SCRIPT));
});

test("cohort page as a file", async () => {
  const { page, done } = await filePage(chrome, study.page());
  await cohortShows(page);
  await page.emulateMedia({ media: "print" });
  await page.evaluate(() => dispatchEvent(new Event("beforeprint")));
  await harmless(page);
  await done();
});

test("child page as a file", async () => {
  const { page, done } = await filePage(chrome, study.child(stem, `${stem}_report.html`));
  await childShows(page);
  await done();
});

test("under review: reasons, notes and torn lines too, hidden and shown", async () => {
  const server = await serve(study.results);
  try {
    const { page, done } = await servedPage(chrome, new URL(`/child/${stem}`, server.url).href);
    await page.waitForSelector(".decide");
    await page.fill("#reviewer", "AB");
    await page.selectOption("#reason", `odd ${IMAGE}`);
    await page.fill("#note", `${SCRIPT} ${CLOSE}`);
    await page.click('[data-decision="exclude"]');
    await page.waitForFunction(() => document.querySelector(".saved").textContent === "Saved: exclude, by AB.");
    const [line] = table(server.decisions);
    assert.deepEqual([line.reason, line.note], [`odd ${IMAGE}`, `${SCRIPT} ${CLOSE}`]);
    await page.reload();
    await page.waitForSelector(".decide");
    await childShows(page);
    const history = await page.textContent(".history");
    assert.ok(history.includes(`odd ${IMAGE}`) && history.includes(`${SCRIPT} ${CLOSE}`));
    const press = (name) => () => page.getByRole("button", { name }).click();
    await answering(page, press("add a reason"), (dialog) => dialog.accept(`mine ${CLOSE}`));
    await page.waitForFunction((word) => document.getElementById("reason").value === word, `mine ${CLOSE}`);
    await harmless(page);
    // A line that cannot be read is told, with its words.
    appendFileSync(server.decisions, `2026-11-25T09:30:00Z\t${IMAGE}\t${stem}\tn/a\tn/a\t${SCRIPT}\tn/a\tn/a\t0\t1\tn/a\n`);
    await page.goto(server.url);
    await page.waitForSelector(".decide");
    assert.match(await page.textContent("#review-bar"), /that were ignored/);
    await harmless(page);
    await answering(page, press("show group, sex and age"), (dialog) => dialog.accept());
    await page.waitForURL(/\?shown=/);
    await drawn(page);
    await page.waitForSelector(".decide");
    await cohortShows(page);
    assert.ok(existsSync(join(study.results, "review", "unhidden.tsv")));
    await done();
  } finally {
    await server.stop();
  }
});
