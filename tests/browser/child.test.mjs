// A child's page as a file: headings, sentence, ribbons and their keys, slider, matrix, coverage, limits; held against
// the tables that the run wrote beside it.
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { homedir, hostname, tmpdir } from "node:os";
import { after, before, test } from "node:test";
import { browser, filePage, settled } from "./support/browser.mjs";
import { cohort, edit, table } from "./support/study.mjs";

let chrome;
let study;
let rows;
/** Stem of a child with a matrix, with frames dropped for several reasons, and a watch log. */
let stem;
before(async () => {
  study = cohort(["--children", "6", "--frames", "260", "--runs", "2", "--seed", "11"], (place) => {
    edit(`${place}/study.toml`, (text) => text.replace('measures = ["pearson"]', 'measures = ["pearson", "partial"]').replace("minutes = 5.0", "minutes = 10.0")
      .replace('"atlas.nii.gz"', `"${place}/atlas.nii.gz"`));
  });
  rows = study.rows();
  stem = rows.find((row) => row.runs_joined === "2" && row.dropped_logged !== "0" && row.dropped_beside_motion !== "0")?.participant_id;
  assert.ok(stem, "one of the invented children has all that is looked at here");
  chrome = await browser();
});
after(() => chrome?.close());

async function on(name, check, options) {
  const opened = await filePage(chrome, study.child(name, `${name}_report.html`), options);
  await check(opened.page);
  await opened.done();
}
const row = (name) => rows.find((r) => r.participant_id === name);
const frames = (name, run) => table(study.child(name, `${name}_task-rest_run-${run}_frames.tsv`));
const fixed = (text, places) => (text === "n/a" ? "n/a" : Number(text).toFixed(places));
/** Equal to so many places, whichever way a half is rounded. */
function near(shown, written, places, what) {
  if (written === "n/a") return assert.equal(shown, "n/a", what);
  assert.match(shown, new RegExp(`^-?\\d+\\.\\d{${places}}$`), what);
  assert.ok(Math.abs(Number(shown) - Number(written)) <= 0.5001 * 10 ** -places + 1e-9, `${what}: ${shown}, ${written}`);
}

test("headings go down one step at a time, and ask the page's questions", () => on(stem, async (page) => {
  const heads = await page.$$eval("h1, h2, h3, h4", (found) => found.map((h) => [Number(h.tagName[1]), h.textContent]));
  assert.deepEqual(heads[0], [1, stem]);
  assert.equal(heads.filter(([level]) => level === 1).length, 1);
  heads.slice(1).forEach(([level, text], k) => assert.ok(level <= heads[k][0] + 1, text));
  for (const words of ["When did the child keep still?", "Is what is left worth keeping?", "Does the scan cover the parcels?"]) {
    assert.ok(heads.some(([level, text]) => level === 2 && text === words), words);
  }
  assert.equal(await page.title(), `${stem} – Invented children of Lantern Island`);
}));

test("the verdict's sentence tells the table's numbers, for each child", async () => {
  const seen = new Set();
  for (const { participant_id: name } of rows) {
    await on(name, async (page) => {
      const r = row(name);
      seen.add(r.verdict);
      const kept = Number(r.minutes_kept).toFixed(1);
      const sentence = {
        enough: `Enough data: ${kept} minutes are kept, and 10 are required.`,
        too_short: `Too short: ${kept} minutes are kept, but 10 are required.`,
        too_few_dof: "Too few degrees of freedom are left after cleaning.",
        poor_coverage: `Poor coverage: ${r.parcels_used} of ${r.parcels} parcels have enough of their voxels.`,
        failed: "No run could be processed.",
      }[r.verdict];
      assert.equal((await page.textContent(".verdict")).trim(), sentence);
      const still = await page.textContent(".stillness");
      for (const number of [kept, fixed(r.minutes, 1), fixed(r.mean_fd_mm, 3), fixed(r.longest_stretch_s, 0)]) assert.ok(still.includes(number), `${still}: ${number}`);
      if (r.problem !== "n/a") assert.ok((await page.textContent(".problem")).includes(r.problem));
    });
  }
  assert.ok(seen.size >= 2, `verdicts seen: ${[...seen]}`);
});

const picture = (page) => page.$eval(".ribbon canvas", (canvas) => canvas.toDataURL());

test("r, d and g press their buttons and redraw the ribbons", () => on(stem, async (page) => {
  const state = (key) => page.getAttribute(`#controls button[aria-keyshortcuts="${key}"]`, "aria-pressed");
  const high = () => page.$eval(".ribbon canvas", (canvas) => canvas.clientHeight);
  assert.deepEqual([await state("r"), await state("d"), await state("g")], ["true", "false", "false"]);
  const first = await picture(page);
  for (const [key, after] of [["r", "false"], ["d", "true"], ["g", "true"]]) {
    const [before, tall] = [await picture(page), await high()];
    await page.keyboard.press(key);
    await settled(page);
    assert.equal(await state(key), after);
    assert.notEqual(await picture(page), before, `${key} redraws`);
    if (key !== "r") assert.ok(await high() > tall, `${key} adds a line`);
  }
  for (const key of ["r", "d", "g"]) await page.keyboard.press(key);
  await settled(page);
  assert.equal(await picture(page), first, "and back");
  // By mouse as well.
  await page.click('#controls button[aria-keyshortcuts="d"]');
  assert.equal(await state("d"), "true");
  assert.notEqual(await picture(page), first);
}));

test("single-letter keys can be turned off", () => on(stem, async (page) => {
  await page.getByLabel("single-letter keys").uncheck();
  await page.evaluate(() => document.activeElement.blur());
  const before = await picture(page);
  for (const key of ["r", "d", "g"]) await page.keyboard.press(key);
  await settled(page);
  assert.equal(await picture(page), before);
  assert.equal(await page.getAttribute('#controls button[aria-keyshortcuts="d"]', "aria-pressed"), "false");
}));

test("the slider reads out each frame as the frames table has it", () => on(stem, async (page) => {
  const words = (reasons) => (reasons === "n/a" ? "kept" : `dropped: ${reasons.split(";")[0].replaceAll("_", " ")}`);
  for (const run of [1, 2]) {
    const lines = frames(stem, run);
    const ribbon = page.locator(".ribbon").nth(run - 1);
    const slider = ribbon.getByRole("slider");
    const read = async () => (await ribbon.locator(".read").textContent()).split(" · ");
    assert.equal(await slider.getAttribute("max"), String(lines.length - 1));
    // One of each kind, the ends, and some between.
    const kinds = new Map(lines.map((line, k) => [line.reasons, k]));
    const chosen = [...new Set([0, 1, 17, 100, 199, lines.length - 1, ...kinds.values()])];
    assert.ok(kinds.size >= 2);
    for (const frame of chosen) {
      await slider.fill(String(frame));
      const [at, seconds, fd, dvars, mean, why, log] = await read();
      const line = lines[frame];
      assert.equal(at, `frame ${line.frame}`);
      assert.equal(seconds, `${Number(line.time_s).toFixed(1)} s`);
      near(fd.match(/^FD (\S+) mm$/)[1], line.fd_sum_mm, 3, `FD of frame ${frame}`);
      near(dvars.match(/^DVARS (\S+) %$/)[1], line.dvars_percent, 2, `DVARS of frame ${frame}`);
      assert.match(mean, /^mean signal -?\d+\.\d\d %$/);
      assert.equal(why, words(line.reasons));
      if (line.reasons.includes("logged")) assert.match(log, /^watch log: \w/);
      assert.equal(await slider.getAttribute("aria-valuetext"), (await read()).join(" · "));
    }
    // Keys of a slider.
    await slider.focus();
    await page.keyboard.press("Home");
    await page.keyboard.press("ArrowRight");
    await page.keyboard.press("ArrowRight");
    assert.equal((await read())[0], "frame 2");
    await page.keyboard.press("End");
    assert.equal((await read())[0], `frame ${lines.length - 1}`);
  }
  // And the mouse.
  const stage = page.locator(".ribbon .stage").first();
  await stage.scrollIntoViewIfNeeded();
  const area = await stage.boundingBox();
  await page.mouse.move(area.x + area.width * 100.5 / 260, area.y + 40);
  assert.match(await page.locator(".ribbon .read").first().textContent(), /^frame 100 /);
}));

test("a ribbon's text alternative counts the frames of each reason", () => on(stem, async (page) => {
  for (const run of [1, 2]) {
    const label = await page.locator(".ribbon canvas[role=img]").nth(run - 1).getAttribute("aria-label");
    const lines = frames(stem, run);
    assert.ok(label.includes(`${lines.filter((line) => line.kept === "1").length} of 260 frames kept`), label);
    const first = lines.filter((line) => line.kept === "0").map((line) => line.reasons.split(";")[0].replaceAll("_", " "));
    if (lines.some((line) => line.reasons.includes("logged"))) assert.match(label, /; watch log: \w+ from \d+:\d\d for \d+ s/);
    for (const reason of new Set(first)) assert.ok(label.includes(`${reason} ${first.filter((r) => r === reason).length}`), `${label}: ${reason}`);
  }
}));

test("the arrow keys read the matrix out, to four digits", () => on(stem, async (page) => {
  const matrix = page.getByRole("application");
  const read = () => page.textContent("#matrix output");
  for (const [k, measure] of ["pearson", "partial"].entries()) {
    await page.locator("#matrix select").selectOption(String(k));
    const lines = table(study.child(stem, `${stem}_atlas-invented84_desc-${measure}_matrix.tsv`));
    const cell = (a, b) => lines.find((line) => line.name === a)[b];
    await matrix.focus();
    let told = 0;
    for (const key of ["ArrowRight", "ArrowDown", "ArrowRight", "ArrowRight", "ArrowDown", "ArrowRight", "ArrowLeft", "ArrowDown", "ArrowUp", ...Array(30).fill("ArrowDown")]) {
      await page.keyboard.press(key);
      const found = (await read()).match(/^(\S+) \((\w+)\) with (\S+) \((\w+)\): (\S+)$/);
      if (!found) {
        assert.match(await read(), /^\S+ \(\w+\)$/, "on the diagonal, the parcel alone");
        continue;
      }
      const [, a, of, b, , value] = found;
      assert.ok(a.startsWith(of), "the network that the label table gives");
      near(value, cell(a, b), 4, `${measure} of ${a} and ${b}`);
      told += 1;
    }
    assert.ok(told > 30);
  }
  const pixels = await page.$eval("#matrix canvas", (canvas) => new Set(new Uint32Array(canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data.buffer)).size);
  assert.ok(pixels > 50, "the matrix is drawn");
}));

test("the means by network are those of the matrix table", () => on(stem, async (page) => {
  await page.getByText("Means by network, in numbers").click();
  const [head, ...body] = await page.$$eval("#matrix table tr", (found) => found.map((r) => [...r.cells].map((c) => c.textContent)));
  const lines = table(study.child(stem, `${stem}_atlas-invented84_desc-pearson_matrix.tsv`));
  const network = (name) => name.split("_")[0];
  for (const [a, ...cells] of body) {
    cells.forEach((shown, k) => {
      const values = lines.filter((line) => network(line.name) === a).flatMap((line) =>
        Object.keys(line).filter((name) => name !== "name" && name !== line.name && network(name) === head[k + 1]).map((name) => Number(line[name]))).filter(Number.isFinite);
      const mean = values.reduce((sum, v) => sum + v, 0) / values.length;
      assert.ok(Math.abs(mean - Number(shown)) < 0.00061, `${a}, ${head[k + 1]}: ${shown}, ${mean}`);
    });
  }
  assert.ok(body.length > 3);
}));

test("the coverage table is that of the coverage files: the least of the runs", async () => {
  for (const name of rows.filter((r) => r.runs_joined === "2").map((r) => r.participant_id)) {
    await on(name, async (page) => {
      await page.getByText("Coverage of each parcel").click();
      const shown = await page.$$eval("#coverage tbody tr", (found) => found.map((r) => [...r.cells].map((c) => c.textContent.trim())));
      const files = [1, 2].map((run) => table(study.child(name, `${name}_task-rest_run-${run}_atlas-invented84_parcels.tsv`)));
      assert.deepEqual(shown.map(([parcel]) => parcel).sort(), files[0].map((line) => line.name).sort());
      for (const [parcel, network, voxels, coverage, used] of shown) {
        const lines = files.map((file) => file.find((line) => line.name === parcel));
        const least = Math.min(...lines.map((line) => Number(line.coverage)));
        assert.equal(network, parcel.split("_")[0]);
        assert.equal(voxels, lines[0].voxels);
        assert.ok(Math.abs(Number(coverage.replace(" %", "")) - 100 * least) <= 0.551, `${parcel}: ${coverage}, ${least}`);
        assert.equal(used, lines.every((line) => line.used === "1") ? "yes" : "no");
      }
    });
  }
});

test("the numbers of the report stand on the page", () => on(stem, async (page) => {
  const facts = Object.fromEntries(await page.$$eval("section:has(#left) > table.facts tr", (found) => found.map((r) => [...r.cells].map((c) => c.textContent))));
  const r = row(stem);
  near(facts["mean FD"].split(" ")[0], r.mean_fd_mm, 3, "mean FD");
  near(facts["mean FD of kept frames"].split(" ")[0], r.mean_fd_kept_mm, 3, "mean FD of kept frames");
  near(facts["median tSNR"], r.tsnr_median, 1, "tSNR");
  near(facts["degrees of freedom left"], r.dof, 1, "degrees of freedom");
  assert.equal(facts["frames kept"], `${r.frames_kept} of ${r.frames}`);
  assert.equal(facts["parcels used"], `${r.parcels_used} of ${r.parcels}`);
  assert.ok(facts["frames dropped, by first reason"].includes(`moved ${r.dropped_moved}`));
  assert.match(await page.textContent(".caution"), /not for diagnosis/);
}));

test("the table of limits says what a run with that limit keeps", async () => {
  const shown = {};
  for (const name of rows.map((r) => r.participant_id)) {
    await on(name, async (page) => {
      const lines = await page.$$eval("section:has(#choices) table:first-of-type tbody tr", (found) => found.map((r) => [...r.cells].map((c) => c.textContent)));
      shown[name] = Object.fromEntries(lines.map(([limit, minutes, enough]) => [limit, { minutes, enough }]));
      assert.equal(lines.filter(([limit]) => limit.includes("(this study)")).length, 1);
    });
  }
  const limits = Object.keys(shown[stem]).filter((limit) => /^[\d.]+$/.test(limit)).slice(0, 8);
  assert.ok(limits.length > 2);
  const compare = (limit, now) => {
    let compared = 0;
    for (const r of now.filter((one) => one.runs_joined === "2")) {
      const told = shown[r.participant_id][limit];
      near(told.minutes, r.minutes_kept, 2, `${r.participant_id} at ${limit}`);
      assert.equal(told.enough, Number(r.minutes_kept) >= 10 ? "yes" : "no");
      compared += 1;
    }
    assert.ok(compared > 0, limit);
  };
  compare(Object.keys(shown[stem]).find((limit) => limit.includes("(this study)")), rows);
  // The study again, with a wider limit.
  const again = cohort(["--children", "6", "--frames", "260", "--runs", "2", "--seed", "11"], (place) => {
    edit(`${place}/study.toml`, (text) => text.replace(/fd_mm( *)= 0.2/, `fd_mm$1= ${limits.at(-1)}`).replace("minutes = 5.0", "minutes = 10.0"));
  });
  assert.notEqual(limits.at(-1), "0.20");
  compare(limits.at(-1), again.rows());
});

test("slices are drawn, with words for them", () => on(stem, async (page) => {
  const found = await page.$$eval("#slices canvas", (all) => all.map((canvas) => [canvas.getAttribute("aria-label"),
    new Set(new Uint32Array(canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data.buffer)).size]));
  assert.equal(found.length, 6);
  for (const [label, colours] of found) {
    assert.match(label, /^(sagittal|coronal|axial) slice of the mean image: \d+ percent/);
    assert.ok(colours > 10);
  }
}));

test("the pages hold no path outside the study, though the study file names one", () => {
  assert.ok(readFileSync(study.settings, "utf8").includes(study.place));
  for (const path of [study.page(), study.child(stem, `${stem}_report.html`)]) {
    const html = readFileSync(path, "utf8");
    for (const word of [study.place, tmpdir(), homedir(), ...(hostname().length > 5 ? [hostname()] : [])]) assert.ok(!html.includes(word), word);
  }
});

test("paper is light, whatever the screen is, and has the ribbons", async () => {
  const paper = [];
  for (const colorScheme of ["light", "dark"]) {
    await on(stem, async (page) => {
      const screen = await picture(page);
      await page.evaluate(() => dispatchEvent(new Event("beforeprint")));
      paper.push(await picture(page));
      await page.evaluate(() => dispatchEvent(new Event("afterprint")));
      await settled(page);
      assert.equal(await picture(page), screen);
      // The cursor's canvas must not clear the ribbon below it where canvases are printed stroke by stroke.
      await page.emulateMedia({ media: "print" });
      assert.equal(await page.$eval(".ribbon .cursor", (canvas) => getComputedStyle(canvas).display), "none");
    }, { colorScheme });
  }
  assert.equal(paper[0], paper[1]);
});
