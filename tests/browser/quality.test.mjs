// The page quality.html of `keepstill stack`: it says what quality.json says, in words, tables and pictures; on wide
// and narrow screens, in light and dark, on paper, for axe-core and by keys; whatever names it is given. Each check is
// also held against a page that was spoiled on purpose.
import assert from "node:assert/strict";
import { readFileSync, readdirSync, rmSync, writeFileSync } from "node:fs";
import { createRequire } from "node:module";
import { join } from "node:path";
import { after, before, describe, test } from "node:test";
import { browser, stillPage } from "./support/browser.mjs";
import { holdsDistance, holdsHistogram, holdsMatrix, pictures } from "./support/charts.mjs";
import { cohort, edit, folder, keepstill, stacked } from "./support/study.mjs";

const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"];
/** A sheet of A4 in a browser: 210 mm less 10 mm on each side, 297 mm less as much. */
const PAPER = { width: 718, height: 1046 };
const MARKUP = "<script>window.hacked=1</script>";
const IMAGE = '"><img src=x onerror=window.hacked=2>';
const LONG = "Wonderfully&Unbreakable".repeat(4);

let chrome;
const stacks = {};
before(async () => {
  chrome = await browser();
  const enough = (place) => edit(join(place, "study.toml"), (text) => text.replace("minutes = 5.0", "minutes = 2.0"));
  const tried = (study) => keepstill(["run", study.settings, "--quiet", "--try", "censor.fd_mm=0"]);

  // Two atlases, the second with many networks; a measure that is a correlation, and one that is none.
  const many = cohort(["--children", "24", "--frames", "200", "--seed", "2"], (place) => {
    enough(place);
    edit(join(place, "study.toml"), (text) => {
      const atlas = text.match(/\[\[parcels\]\][^[]*/)[0];
      const other = atlas.replace("invented84", "second").replace("atlas.tsv", "second.tsv");
      return text.replace(atlas, atlas + other).replace('["pearson"]', '["pearson", "covariance"]');
    });
    const parcels = readFileSync(join(place, "atlas.tsv"), "utf8").trimEnd().split("\n").map((line) => line.split("\t"));
    const network = (at) => `Wandering network ${"ABCDEFGHIJKLMNOPQRSTU"[Math.floor(at / 4)]}`;
    writeFileSync(join(place, "second.tsv"), parcels.map((c, at) => (at === 0 ? c : [c[0], c[1], network(at - 1), ...c.slice(3)]).join("\t")).join("\n") + "\n");
  });
  tried(many);
  stacks["with a try, groups and two atlases"] = stacked(many.results);

  const alone = cohort(["--children", "9", "--frames", "200", "--seed", "5"], enough);
  stacks["without a try, other groups"] = stacked(alone.results, ["--group", "sex"]);

  const still = cohort(["--children", "6", "--frames", "200", "--seed", "7"], (place) => {
    enough(place);
    edit(join(place, "study.toml"), (text) => text.replace(/fd_mm( *)= 0.2 /, "fd_mm$1= 0.0 "));
  });
  stacks["of a study that drops nothing for motion"] = stacked(still.results);

  const one = cohort(["--children", "1", "--frames", "300", "--motion", "0.3", "--seed", "6"], enough);
  stacks["of one child"] = stacked(one.results);

  const strange = cohort(["--children", "6", "--frames", "200", "--seed", "41", "--motion", "0.3"], (place) => {
    enough(place);
    const cells = (name, change) => edit(join(place, name), (text) => text.trimEnd().split("\n").map((line, at) => change(line.split("\t"), at).join("\t")).join("\n") + "\n");
    // A label is letters and digits; how many is free.
    for (const name of ["runs.tsv", "participants.tsv"]) cells(name, (c) => [c[0] === "sub-02" ? `sub-${"a".repeat(80)}` : c[0], ...c.slice(1)]);
    cells("participants.tsv", (c, at) => (at === 0 ? [`${c[0]}`, `age${MARKUP}`, c[2], c[3]] : [...c.slice(0, 3), [MARKUP, IMAGE, LONG][at % 3]]));
    cells("atlas.tsv", (c, at) => (at === 0 ? c : [c[0], c[1] + MARKUP, [c[2] + MARKUP, c[2] + IMAGE, LONG, "網路".repeat(12)][Math.floor((at - 1) / 21)], ...c.slice(3)]));
    edit(join(place, "study.toml"), (text) => text.replace(/name( *)= "Invented children of Lantern Island"/, `name$1= 'Lantern ${MARKUP}${IMAGE}${LONG}'`).replace('"age_months"', `'age${MARKUP}'`));
  });
  tried(strange);
  stacks["with strangers' names"] = stacked(strange.results);
  // A try that lacks a matrix: the page names the file.
  const place = join(strange.results, "tries", "fd_mm-0", `sub-${"a".repeat(80)}`, "func");
  rmSync(join(place, readdirSync(place).find((name) => name.endsWith("_matrix.tsv"))));
  stacks["with a long file's name"] = stacked(strange.results);
});
after(() => chrome?.close());

/** Runs `check` on a page that must have nothing to complain of. */
async function on(path, check, options, scripts) {
  const opened = await stillPage(chrome, path, options, scripts);
  try {
    await check(opened.page, opened);
  } catch (error) {
    await opened.context.close();
    throw error;
  }
  await opened.done();
}
const unfold = (page) => page.evaluate(() => document.querySelectorAll("details").forEach((one) => { one.open = true; }));
const words = (page, selector) => page.$$eval(selector, (all) => all.map((one) => one.textContent));
/** As Rust writes a number: what lies in the middle goes to the even digit. */
function fixed(value, digits) {
  if (value === null) return "n/a";
  const [whole, rest] = value.toFixed(100).split(".");
  const cut = digits === 0 ? whole : `${whole}.${rest.slice(0, digits)}`;
  const even = /^50*$/.test(rest.slice(digits)) && /[02468]$/.test(cut);
  return (even ? cut : value.toFixed(digits)).replace(/^-(?=[0.]+$)/, "");
}
const percent = (share) => (share === null ? "n/a" : `${fixed(100 * share, 1)} %`);
const some = (share) => (share > 0 && share < 0.0005 ? "< 0.1 %" : percent(share));
const plain = (text) => text.replaceAll("\u{a0}", " ");

/** The sentences: answer, caution, notes, what is left out, what to compare with. */
async function says(page, { told }) {
  assert.equal(await page.evaluate(() => document.scripts.length), 0);
  assert.deepEqual(await words(page, "h1"), [told.question]);
  assert.deepEqual((await words(page, ".verdict")).map(plain), [told.answer]);
  assert.deepEqual(await words(page, ".caution"), [told.caution]);
  assert.ok(await page.isVisible(".caution") && await page.isVisible(".verdict"));
  assert.match(told.caution, /not for diagnosis/);
  const text = await page.evaluate(() => document.body.textContent);
  for (const sentence of told.leaves_out) assert.ok(text.includes(sentence), sentence);
  const shown = await words(page, "details[open] li");
  assert.deepEqual(shown.map((note) => note.toLowerCase()), told.notes.map((note) => note.toLowerCase()));
  const { command, why_not: why } = told.before_censoring;
  const problems = await words(page, ".problem");
  assert.equal(problems.some((problem) => problem.includes(`${why}. To compare them with`)), command !== null);
  assert.deepEqual(await words(page, ".problem code"), command === null ? [] : [command]);
  const trap = told.notes.find((note) => note.includes("that is the trap"));
  assert.equal(problems.some((problem) => problem.includes("that is the trap")), trap !== undefined);
  assert.ok(text.includes(`keepstill ${told.version}`));
}

/** The tables. */
async function tabulates(page, { told, rows }) {
  const tables = await page.$$eval("table", (all) => all.map((one) => [...one.tBodies].map((body) => [...body.rows].map((row) => [...row.cells].map((cell) => cell.textContent)))));
  const numbers = tables[0].flat().map((row) => row.map(plain));
  const expected = [];
  let kind = "";
  for (const row of told.rows) {
    if (`${row.atlas}, ${row.measure}` !== kind) expected.push([kind = `${row.atlas}, ${row.measure}`]);
    const taken = row.adjusted_for.length > 0 ? `, adjusted for ${row.adjusted_for.join(", ")}` : "";
    const median = fixed(row.median_abs_r, 3) + (row.chance_median_abs_r === null ? "" : ` (${fixed(row.chance_median_abs_r, 3)})`);
    expected.push([`${row.censoring}${taken}`, String(row.children), String(row.edges_with_r), median, some(row.share_p), some(row.share_q), fixed(row.distance.rho, 2)]);
  }
  assert.deepEqual(numbers, expected);
  const shuffled = tables[1].flat().filter((row) => row.length > 1).map((row) => row.map(plain));
  const p = (value) => (value === null ? "n/a" : value < 0.001 ? "< 0.001" : fixed(value, 3));
  const range = ({ centile_5: low, centile_95: high }) => (low === null ? "n/a" : `${some(low)} to ${some(high)}`);
  assert.deepEqual(shuffled, told.rows.map(({ shuffled: of }, at) => [expected.filter((row) => row.length > 1)[at][0], p(of.p.median_abs_r), range(of.share_p), p(of.p.share_p), p(of.p.share_q), p(of.p.distance_rho)]));
  assert.deepEqual(rows.map((row) => [row.atlas, row.censoring, row.edges_with_r]), told.rows.map((row) => [row.atlas, row.censoring, String(row.edges_with_r)]));
  const spread = (of, digits, times = 1) => (of.children === 0 ? "n/a" : `${fixed(times * of.median, digits)} (${fixed(times * of.least, digits)} to ${fixed(times * of.most, digits)})`);
  const kept = ["after", "before"].filter((when) => told.kept[when]).map((when) => {
    const of = told.kept[when];
    return [`${when} censoring`, spread(of.minutes_kept, 1), spread(of.kept_share, 0, 100), spread(of.dof, 1)];
  });
  if (told.dof_lost !== null) kept.push(["lost to censoring, per child", "–", "–", spread(told.dof_lost, 1)]);
  // What children count, and whether those who moved are noisier.
  assert.deepEqual(tables[2].flat().map((row) => row[0]), told.weights.map((of) => `${of.atlas}, ${of.measure}, ${of.censoring}`));
  assert.deepEqual(tables[2].flat().map((row) => row[1].includes("rank correlation")), told.weights.map((of) => of.noisier !== null));
  assert.deepEqual(tables[3].flat(), kept);
  const groups = (told.groups.groups ?? []).map((group, at) => [group.name, String(group.children), ...told.groups.compared.map((of) => {
    const found = of.groups?.[at];
    const digits = of.unit === "mm" ? 3 : 1;
    return found ? `${fixed(found.mean, digits)} ± ${fixed(found.sd, digits)}; ${fixed(found.median, digits)}` : "n/a";
  })]);
  assert.deepEqual((tables[4] ?? []).flat(), groups);
}

/** The pictures: all that there should be, in order. */
async function draws(page, { told }) {
  const all = await pictures(page);
  for (const picture of all) assert.ok(picture.role === "img" && picture.label.length > 40 && picture.caption.length > 20);
  const left = [...all];
  const next = () => left.shift() ?? assert.fail(`there are only ${all.length} pictures`);
  let drawn = 0;
  for (const first of told.rows.filter((row) => row.results === "main" && row.adjusted_for.length === 0)) {
    const rows = told.rows.filter((row) => row.atlas === first.atlas && row.measure === first.measure && row.adjusted_for.length === 0 && row.edges_with_r > 0);
    if (rows.length === 0) continue;
    drawn += holdsHistogram(next(), rows);
    drawn += holdsDistance(next(), rows);
  }
  for (const mean of told.mean_matrices) drawn += holdsMatrix(next(), mean);
  assert.equal(left.length, 0);
  assert.ok(drawn > 0);
}

// Nothing is wider than the screen but tables and settings, which scroll for themselves; no word of a picture is cut or
// lies on another.
async function fits(page, width) {
  await unfold(page);
  const found = await page.evaluate(() => {
    const scroll = document.documentElement;
    const boxes = [...document.querySelectorAll(".wide, pre")];
    const wide = [...document.body.querySelectorAll("*")].filter((one) => one.getBoundingClientRect().right > scroll.clientWidth + 0.5 && !boxes.some((box) => box !== one && box.contains(one)));
    const cut = [];
    for (const svg of document.querySelectorAll("figure.chart svg")) {
      const room = svg.getBoundingClientRect();
      const texts = [...svg.querySelectorAll("text")].map((one) => [one.textContent, one.getBoundingClientRect()]);
      texts.forEach(([words, at], k) => {
        if (at.left < room.left - 0.5 || at.right > room.right + 0.5 || at.top < room.top - 0.5 || at.bottom > room.bottom + 0.5) cut.push(`${words} is cut`);
        for (const [other, place] of texts.slice(k + 1)) {
          const [x, y] = [Math.min(at.right, place.right) - Math.max(at.left, place.left), Math.min(at.bottom, place.bottom) - Math.max(at.top, place.top)];
          // The box of a line of words is higher than its letters.
          if (x > 0 && y > 0.3 * Math.min(at.height, place.height)) cut.push(`${words} lies on ${other}`);
        }
      });
    }
    return { across: scroll.scrollWidth, wide: wide.map((one) => one.outerHTML.slice(0, 80)), cut, scrolls: boxes.map((box) => getComputedStyle(box).overflowX) };
  });
  assert.ok(found.across <= width, `the page is ${found.across} pixels wide`);
  assert.deepEqual([found.wide, found.cut], [[], []]);
  assert.ok(found.scrolls.length >= 3 && found.scrolls.every((how) => how === "auto"));
}

/** axe-core finds nothing. */
async function isForEveryone(page) {
  await unfold(page);
  const found = await page.evaluate((values) => globalThis.axe.run(document, { runOnly: { type: "tag", values } }), RULES);
  const told = found.violations.map((v) => `${v.id}: ${v.help}\n    ${v.nodes.slice(0, 4).map((n) => `${n.target} ${n.any.concat(n.all).map((c) => c.message).join("; ")}`).join("\n    ")}`);
  assert.deepEqual(told, []);
  assert.ok(found.passes.length > 20, "axe-core looked at the page");
}

/** On a sheet of A4 no table is cut at its side, no picture is higher than the sheet, and notes are not folded away. */
async function prints(page, { told }) {
  await page.setViewportSize(PAPER);
  await page.emulateMedia({ media: "print" });
  const found = await page.evaluate(() => ({
    cut: [...document.querySelectorAll(".wide")].map((box) => [box.getAttribute("aria-label"), box.scrollWidth - box.clientWidth]).filter(([, over]) => over > 0),
    pictures: [...document.querySelectorAll("figure.chart svg")].map((svg) => svg.getBoundingClientRect()).map((at) => [at.left, at.right, at.height]),
    hidden: [...document.querySelectorAll("h1, h2, p, table, figure, li")].filter((one) => !one.checkVisibility({ contentVisibilityAuto: true, visibilityProperty: true, opacityProperty: true }) || one.getBoundingClientRect().height === 0).map((one) => one.textContent),
  }));
  assert.deepEqual(found.cut, []);
  for (const [left, right, height] of found.pictures) assert.ok(left >= 0 && right <= PAPER.width && height > 100 && height < PAPER.height, `a picture from ${left} to ${right}, ${height} high`);
  // The settings stay folded: they are in quality.json.
  assert.deepEqual(found.hidden, [`keepstill ${told.version}`]);
  const pdf = await page.pdf({ format: "A4" });
  assert.ok(pdf.subarray(0, 5).toString() === "%PDF-" && pdf.length > 10_000, `a PDF of ${pdf.length} bytes`);
}

/** The tab key comes to everything that scrolls or unfolds, and shows where it is; keys then work it. */
async function obeysKeys(page) {
  const expected = await page.$$eval(".skip, .wide, summary", (all) => all.map((one) => one.getAttribute("aria-label") ?? one.textContent));
  assert.ok(expected.length >= 4 && new Set(expected).size === expected.length, String(expected));
  const seen = [];
  for (let k = 0; k <= expected.length; k++) {
    await page.keyboard.press("Tab");
    const at = await page.evaluate(() => {
      const one = document.activeElement;
      return one === document.body ? null : { name: one.getAttribute("aria-label") ?? one.textContent, outline: getComputedStyle(one).outlineStyle };
    });
    if (at === null) break;
    assert.notEqual(at.outline, "none", `${at.name} shows no focus`);
    seen.push(at.name);
  }
  assert.deepEqual(seen, expected);
  await page.focus(".wide");
  assert.ok(await page.$eval(".wide", (box) => box.scrollWidth > box.clientWidth), "the table is wider than its box");
  await page.keyboard.press("ArrowRight");
  await page.waitForFunction(() => document.querySelector(".wide").scrollLeft > 0);
  const folded = page.locator("details:not([open]) summary");
  assert.equal(await folded.textContent(), "Settings and version");
  await folded.focus();
  await page.keyboard.press("Enter");
  assert.ok(await page.isVisible("pre"));
  await page.keyboard.press("Tab");
  assert.equal(await page.evaluate(() => document.activeElement.tagName), "PRE");
}

/** Nothing of a stranger's text became an element, or ran. */
async function isHarmless(page) {
  const found = await page.evaluate(() => ({ hacked: window.hacked, made: document.querySelectorAll("script, img, [onerror], [onload]").length }));
  assert.deepEqual(found, { hacked: undefined, made: 0 });
}

test("each stack is what it is to be", () => {
  const of = (name) => stacks[name].told;
  assert.deepEqual(Object.values(stacks).map(({ told }) => told.before_censoring.status), ["compared", "none", "study_without_censoring", "none", "compared", "none"]);
  const many = of("with a try, groups and two atlases");
  assert.deepEqual(many.mean_matrices.map((mean) => [mean.atlas, mean.measure, mean.networks.length]), [["invented84", "covariance", 7], ["invented84", "pearson", 7], ["second", "covariance", 21], ["second", "pearson", 21]]);
  assert.equal(many.rows.length, 16);
  assert.ok(many.notes.some((note) => note.includes("that is the trap")));
  assert.deepEqual(of("without a try, other groups").groups.groups.map((group) => group.name), ["F", "M"]);
  assert.deepEqual(of("of one child").rows.map((row) => [row.children, row.edges_with_r]), [[1, 0]]);
  assert.deepEqual(of("with strangers' names").groups.groups.map((group) => group.name).sort(), [IMAGE, MARKUP, LONG].sort());
  assert.match(of("with a long file's name").before_censoring.why_not, /lacks sub-a{80}_/);
});

const NAMES = ["with a try, groups and two atlases", "without a try, other groups", "of a study that drops nothing for motion", "of one child", "with strangers' names", "with a long file's name"];
for (const name of NAMES) {
  describe(`the page ${name}`, () => {
    const stack = () => stacks[name];
    test("says and tabulates what quality.json holds", () => on(stack().page, async (page) => {
      await says(page, stack());
      await tabulates(page, stack());
      await isHarmless(page);
    }));
    test("draws what quality.json holds", () => on(stack().page, (page) => draws(page, stack())));
    for (const width of [1280, 390, 320]) {
      test(`fits, ${width} pixels wide`, () => on(stack().page, (page) => fits(page, width), { viewport: { width, height: 900 } }));
      for (const colorScheme of ["light", "dark"]) {
        test(`is for everyone, ${colorScheme}, ${width} pixels wide`, () => on(stack().page, isForEveryone, { colorScheme, viewport: { width, height: 900 } }, [axe]));
      }
    }
    test("prints", () => on(stack().page, (page) => prints(page, stack())));
    test("obeys keys", () => on(stack().page, obeysKeys, { viewport: { width: 390, height: 900 } }));
  });
}

/** A page changed for the worse. */
function spoiled(name, change) {
  const page = join(folder(), "quality.html");
  const html = readFileSync(stacks[name].page, "utf8");
  const made = change(html);
  assert.notEqual(made, html, "nothing was spoiled");
  writeFileSync(page, made);
  return page;
}
const swap = (from, to) => (html) => html.replace(from, to);
const style = (rule) => swap("</style>", `${rule}</style>`);
/** Adds to the number that the pattern's second group holds; the others stay. */
const add = (pattern, much) => swap(pattern, (_, start, number, end) => start + (Number(number) + much).toFixed(1) + end);
const [MANY, ALONE, STRANGE] = [NAMES[0], NAMES[1], NAMES[4]];
const narrow = { viewport: { width: 390, height: 900 } };
const narrowest = { viewport: { width: 320, height: 900 } };
const SPOILED = {
  "another answer": [MANY, swap(/verdict">\w+/, 'verdict">Surely'), says],
  "no caution": [MANY, swap(/<p class="caution">.*?<\/p>/, ""), says],
  "a hidden caution": [MANY, style(".caution { display: none; }"), says],
  "another question": [MANY, swap("<h1>Is it", "<h1>Is this"), says],
  "folded notes": [MANY, swap("<details open>", "<details>"), says],
  "no trap": [MANY, swap(/<p class="problem">.*?<\/p>/, ""), says],
  "another command": [ALONE, swap("fd_mm=0</code>", "fd_mm=1</code>"), says],
  "one caveat less": [MANY, swap(/<li>By chance 5 %.*?<\/li>/, ""), says],
  "a script": [MANY, swap("</main>", "<script>1</script></main>"), says],
  "another median": [MANY, swap(/<td class="n">0\.\d+ \(/, '<td class="n">0.999 ('), tabulates],
  "another p of the shuffles": [MANY, swap(/(Against motion shuffled among the children"[^]*?<td class="n">)[\d.]+/, "$10.777"), tabulates],
  "another group's name": [MANY, swap('<th scope="row">newborn</th>', '<th scope="row">newcomer</th>'), tabulates],
  "other minutes": [MANY, swap(/(<th scope="row">after censoring<\/th><td class="n">)\d/, "$19"), tabulates],
  "a bar too high": [MANY, add(/(line kept-0" d="(?:[ML][\d. ]+H[\d.]+){5}L[\d.]+ )([\d.]+)(H)/, -0.5), draws],
  "a bar too wide": [MANY, add(/(line kept-1" d="(?:[ML][\d. ]+H[\d.]+){5}L[\d.]+ [\d.]+H)([\d.]+)(L)/, 2), draws],
  "a bar less": [MANY, swap(/(line kept-0" d="(?:[ML][\d. ]+H[\d.]+){5})L[\d. ]+H[\d.]+/, "$1"), draws],
  "other chance": [MANY, add(/(chance" d="M70.0 (?:[\d. ]+H[\d.]+L){6}[\d.]+ )([\d.]+)(H)/, 1), draws],
  "another tick": [MANY, swap('text-anchor="middle">0.5<', 'text-anchor="middle">0.4<'), draws],
  "a mark elsewhere": [MANY, add(/(dot kept-0" d="M9[\d.]+ |dot kept-0" d="M[1-9]\d\d[\d.]* )([\d.]+)(m-5)/, 1), draws],
  "another quartile": [MANY, add(/(thread" d="M[\d.]+ )([\d.]+)(V)/, 1), draws],
  "a line that is not drawn": [MANY, style(".chart .line { stroke: none; }"), draws],
  "other names in the legend": [MANY, swap(">before censoring</text>", ">with censoring</text>"), draws],
  "another sign": [MANY, swap(/(<rect class="cell stop-)(?:1[7-9]|[23]\d)"/, '$13"'), draws],
  "another strength": [MANY, swap(/(<rect class="cell stop-)\d+"/, '$118"'), draws],
  "another mean": [MANY, swap(/(<rect class="cell stop-(?:1[7-9]|[23]\d)".*\n<text [^>]*>)0\.\d\d/, "$10.99"), draws],
  "another scale": [MANY, swap(/(stop-32" d="M.*\n<text [^>]*>)-0\.\d\d/, "$1-0.01"), draws],
  "other colours above": [MANY, swap(/--ramp-32: #\w+/, "--ramp-32: #114e82"), draws],
  "no words for a picture": [MANY, swap(/aria-label="Mean [^"]*"/, 'aria-label="Mean"'), draws],
  "another median in words": [MANY, swap(/(censoring: median \|r\| )0\.\d\d/, "$10.99"), draws],
  "a picture less": [MANY, (html) => html.slice(0, html.lastIndexOf("<figure")) + html.slice(html.lastIndexOf("</figure>") + 9), draws],
  "a table that does not scroll": [MANY, swap(".wide {\n  overflow-x: auto;\n", ".wide {\n"), (page) => fits(page, 390), narrow],
  "words that cannot be broken": [STRANGE, (html) => html.replaceAll("<wbr>", ""), (page) => fits(page, 320), narrowest],
  "a name that is cut": [MANY, swap(/>Wandering[^<]* 1<\/text>/, ">Wandering network A 1</text>"), (page) => fits(page, 390), narrow],
  "words over words": [MANY, swap('<text x="294.0" y="26.0"', '<text x="94.0" y="26.0"'), (page) => fits(page, 1280)],
  "no language": [MANY, swap('<html lang="en">', "<html>"), isForEveryone],
  "pale ink": [MANY, swap("--ink: #1d2630", "--ink: #c4c4c4"), isForEveryone],
  "dark ink in the dark": [MANY, swap("--ink: #e6e9ec", "--ink: #393f44"), isForEveryone, { colorScheme: "dark" }],
  "a column without a name": [MANY, swap('<th scope="col">censoring</th>', '<th scope="col"></th>'), isForEveryone],
  "a table too wide for paper": [MANY, style("@media print { td, th { white-space: nowrap; } }"), prints],
  "a picture higher than a sheet": [MANY, style("@media print { .chart svg { height: 1100px; } }"), prints],
  "pictures that are not printed": [MANY, style("@media print { figure { display: none; } }"), prints],
  "notes that are not printed": [MANY, swap("<details open>", "<details>"), prints],
  "a box that keys do not reach": [MANY, swap('tabindex="0" role="region"', 'tabindex="-1" role="region"'), obeysKeys, narrow],
  "a focus that does not show": [MANY, style(":focus-visible { outline: none; }"), obeysKeys, narrow],
  "a stranger's script": [STRANGE, swap("</main>", `${MARKUP}</main>`), isHarmless],
  "a request": [MANY, swap("</head>", '<link rel="stylesheet" href="other.css"></head>'), (page) => page.waitForLoadState()],
  "a picture from elsewhere": [STRANGE, swap("</main>", '<img alt="" src="x"></main>'), (page) => page.waitForLoadState()],
};
describe("a spoiled page is found out:", () => {
  for (const [what, [name, change, check, options]] of Object.entries(SPOILED)) {
    test(what, async () => {
      const page = spoiled(name, change);
      const scripts = check === isForEveryone ? [axe] : [];
      await assert.rejects(on(page, (opened) => check(opened, stacks[name]), options, scripts), assert.AssertionError);
    });
  }
});
