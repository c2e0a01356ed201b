// The cohort page as a file: order, filters, pictures, keys, the window of rows, print; held against cohort.tsv.
import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { HANG_MS, browser, drawn, filePage, settled } from "./support/browser.mjs";
import { cohort, grown } from "./support/study.mjs";

let chrome;
let study;
let table;
let large;
before(async () => {
  study = cohort(["--children", "12", "--frames", "240", "--seed", "5"]);
  table = study.rows();
  large = grown(study.page(), 2000);
  chrome = await browser();
});
after(() => chrome?.close());

/** Runs `check` on a page that must have nothing to complain of. */
async function on(path, check, options) {
  const opened = await filePage(chrome, path, options);
  await check(opened.page, opened);
  await opened.done();
}

const stems = (page) => page.$$eval("#table tbody tr[data-stem]", (rows) => rows.map((row) => row.dataset.stem));
const count = (page) => page.textContent("#count");
const none = (value) => value === "n/a" || value === "";
/** Stems by a value, as the page promises: what has none last, equals by name. */
function ordered(rows, value, down) {
  const sign = down ? -1 : 1;
  return [...rows].sort((a, b) => {
    const [x, y] = [value(a), value(b)];
    if (none(x) || none(y)) return (none(x) - none(y)) || (a.participant_id < b.participant_id ? -1 : 1);
    const [p, q] = [Number(x), Number(y)];
    const order = Number.isNaN(p) || Number.isNaN(q) ? String(x).localeCompare(String(y), undefined, { numeric: true }) : p - q;
    return sign * order || (a.participant_id < b.participant_id ? -1 : 1);
  }).map((row) => row.participant_id);
}
/** What the page shows under "noticed": the problem, or how many notes there are. */
function noticed(row) {
  if (!none(row.problem)) return row.problem;
  const notes = none(row.warnings) ? 0 : row.warnings.split("; ").length;
  return notes ? `${notes} ${notes === 1 ? "note" : "notes"}` : "n/a";
}
const which = (rows) => rows.map((row) => row.participant_id).sort();

test("rows are sorted by mean FD first, the most restless child on top", () => on(study.page(), async (page) => {
  assert.deepEqual(await stems(page), ordered(table, (row) => row.mean_fd_mm, true));
  assert.equal(await page.getAttribute('#table th[data-key="mean_fd_mm"]', "aria-sort"), "descending");
  assert.equal(await count(page), `${table.length} rows.`);
}));

test("cells show what cohort.tsv holds", () => on(study.page(), async (page) => {
  const heads = await page.$$eval("#table thead th button", (buttons) => buttons.map((b) => b.textContent.replace(/ [↓↑]$/, "")));
  const shown = await page.$$eval("#table tbody tr[data-stem]", (rows) => rows.map((row) => [row.dataset.stem, [...row.cells].map((cell) => cell.textContent)]));
  const at = (cells, name) => cells[heads.indexOf(name)];
  for (const [stem, cells] of shown) {
    const row = table.find((r) => r.participant_id === stem);
    assert.equal(at(cells, "child"), stem);
    assert.equal(at(cells, "mean FD, mm"), Number(row.mean_fd_mm).toFixed(3));
    assert.equal(at(cells, "minutes kept"), `${Number(row.minutes_kept).toFixed(1)} of ${Number(row.minutes).toFixed(1)}`);
    assert.equal(at(cells, "longest still, s"), Number(row.longest_stretch_s).toFixed(0));
    assert.equal(at(cells, "verdict"), row.verdict.replaceAll("_", " "));
    for (const name of ["age_months", "sex", "group"]) assert.equal(at(cells, name), row[name]);
    assert.equal(at(cells, "noticed"), row.problem === "n/a" ? (row.warnings === "n/a" ? "" : at(cells, "noticed")) : row.problem);
  }
}));

test("every column sorts, both ways", () => on(study.page(), async (page) => {
  const columns = [
    ["stem", (row) => row.participant_id], ["strip", (row) => row.minutes], ["mean_fd_mm", (row) => row.mean_fd_mm],
    ["minutes_kept", (row) => row.minutes_kept], ["longest_stretch_s", (row) => row.longest_stretch_s], ["verdict", (row) => row.verdict],
    ["covariate 0", (row) => row.age_months], ["covariate 1", (row) => row.sex], ["covariate 2", (row) => row.group], ["problem", noticed],
  ];
  assert.deepEqual(await page.$$eval("#table thead th", (cells) => cells.map((cell) => cell.dataset.key)), columns.map(([key]) => key));
  for (const [key, value] of columns) {
    const head = page.locator(`#table th[data-key="${key}"]`);
    const seen = new Set();
    for (let click = 0; click < 2; click++) {
      await head.getByRole("button").click();
      const direction = await head.getAttribute("aria-sort");
      seen.add(direction);
      assert.deepEqual(await stems(page), ordered(table, value, direction === "descending"), `${key}, ${direction}`);
      assert.equal(await page.locator("#table th[aria-sort]").count(), 1);
      assert.ok(await head.getByRole("button").evaluate((button) => button === document.activeElement), "the button keeps the focus");
    }
    assert.deepEqual([...seen].sort(), ["ascending", "descending"]);
  }
}));

test("filters by verdict, group, sex, text and motion; the count says how many are left", () => on(study.page(), async (page) => {
  const expect = async (wanted) => {
    assert.deepEqual((await stems(page)).sort(), which(wanted));
    assert.equal(await count(page), wanted.length === table.length ? `${table.length} rows.` : `${wanted.length} of ${table.length} rows.`);
  };
  const choose = (name, value) => page.getByRole("combobox", { name, exact: true }).selectOption(value);
  for (const verdict of new Set(table.map((row) => row.verdict))) {
    await choose("verdict", verdict);
    await expect(table.filter((row) => row.verdict === verdict));
  }
  await choose("verdict", "");
  for (const group of new Set(table.map((row) => row.group))) {
    await choose("group", group);
    await expect(table.filter((row) => row.group === group));
    await choose("sex", "F");
    await expect(table.filter((row) => row.group === group && row.sex === "F"));
    await choose("sex", "");
  }
  await choose("group", "");
  const age = table[4].age_months;
  await choose("age_months", age);
  await expect(table.filter((row) => row.age_months === age));
  await choose("age_months", "");
  const text = page.getByLabel("label or text");
  await text.fill("SUB-03");
  await expect(table.filter((row) => row.participant_id === "sub-03"));
  await text.fill("newb");
  await expect(table.filter((row) => row.group === "newborn"));
  await text.fill("no such child");
  await expect([]);
  await text.fill("");
  const middle = [...table].sort((a, b) => a.mean_fd_mm - b.mean_fd_mm)[6].mean_fd_mm;
  await page.getByLabel("mean FD, mm, least").fill(middle);
  await expect(table.filter((row) => Number(row.mean_fd_mm) >= Number(middle)));
  await page.getByLabel("minutes kept, most").fill("5");
  await expect(table.filter((row) => Number(row.mean_fd_mm) >= Number(middle) && Number(row.minutes_kept) <= 5));
  await page.getByRole("button", { name: "show all" }).click();
  await expect(table);
  assert.equal(await page.getByLabel("mean FD, mm, least").inputValue(), "");
}));

test("an age of many values is filtered by a range", () => on(large.path, async (page) => {
  await page.getByLabel("age_months, least").fill("12");
  await page.getByLabel("age_months, most").fill("24.5");
  const wanted = large.rows.filter((row) => Number(row.covariates[0]) >= 12 && Number(row.covariates[0]) <= 24.5).length;
  assert.ok(wanted > 100 && wanted < 1000);
  assert.equal(await count(page), `${wanted} of 2000 rows.`);
  const ages = await page.$$eval("#table tbody tr[data-stem]", (rows) => rows.map((row) => Number(row.cells[6].textContent)));
  assert.ok(ages.length > 5 && ages.every((age) => age >= 12 && age <= 24.5), String(ages));
}));

test("a box drawn in the scatter keeps the children inside", () => on(study.page(), async (page) => {
  const picture = page.locator("#scatter svg");
  await picture.scrollIntoViewIfNeeded();
  const area = await picture.boundingBox();
  const points = await page.$$eval("#scatter circle", (dots) => dots.map((dot) => {
    const at = dot.getBoundingClientRect();
    return { stem: dot.querySelector("title").textContent.split(":")[0], x: at.x + at.width / 2, y: at.y + at.height / 2 };
  }));
  assert.equal(points.length, table.length);
  // The right edge in the widest gap between dots, so that rounding of the ranges decides nothing.
  const across = points.map((p) => p.x).sort((a, b) => a - b);
  let gap = 3;
  for (let k = 3; k < across.length - 1; k++) if (across[k + 1] - across[k] > across[gap + 1] - across[gap]) gap = k;
  const right = (across[gap] + across[gap + 1]) / 2;
  await page.mouse.move(area.x + 1, area.y + 1);
  await page.mouse.down();
  await page.mouse.move(right, area.y + area.height / 2, { steps: 4 });
  const drawing = await page.$eval("#scatter .box", (box) => Number(box.getAttribute("width")));
  assert.ok(drawing > 10, "the box is drawn while the button is down");
  await page.mouse.move(right, area.y + area.height - 2, { steps: 4 });
  await page.mouse.up();
  const inside = points.filter((p) => p.x < right).map((p) => p.stem).sort();
  assert.ok(inside.length >= 4 && inside.length < table.length);
  assert.deepEqual((await stems(page)).sort(), inside);
  const most = Number(await page.getByLabel("mean FD, mm, most").inputValue());
  const fd = (stem) => Number(table.find((row) => row.participant_id === stem).mean_fd_mm);
  assert.ok(inside.every((stem) => fd(stem) <= most) && points.every((p) => inside.includes(p.stem) || fd(p.stem) > most));
  const dim = await page.$$eval("#scatter circle.dim", (dots) => dots.length);
  assert.equal(dim, table.length - inside.length);
}));

test("a click on a dot goes to its row, also far down", async () => {
  for (const [path, stem] of [[study.page(), table[7].participant_id], [large.path, large.rows.toSorted((a, b) => a.mean_fd_mm - b.mean_fd_mm)[0].stem]]) {
    await on(path, async (page) => {
      await page.locator("#scatter circle").filter({ has: page.locator(`title:text("${stem}:")`) }).dispatchEvent("click");
      await settled(page);
      const focus = await page.evaluate(() => ({ stem: document.activeElement.closest("tr")?.dataset.stem, marked: document.querySelector("tr.here")?.dataset.stem }));
      assert.deepEqual(focus, { stem, marked: stem });
      await assertInView(page, stem);
      assert.equal(await page.$$eval("#scatter circle.here", (dots) => dots.map((d) => d.textContent.split(":")[0]).join()), stem);
    });
  }
});

async function assertInView(page, stem) {
  const seen = await page.evaluate((name) => {
    const row = document.querySelector(`tr[data-stem="${name}"]`).getBoundingClientRect();
    const frame = document.getElementById("table").getBoundingClientRect();
    const head = document.querySelector("#table thead").getBoundingClientRect();
    return row.top >= head.bottom - 1 && row.bottom <= frame.bottom + 1;
  }, stem);
  assert.ok(seen, `${stem} is within the table's window`);
}

test("each strip has its numbers as a text alternative", () => on(study.page(), async (page) => {
  const said = await page.$$eval("#table tbody tr[data-stem]", (rows) => rows.map((row) => {
    const canvas = row.querySelector("canvas");
    return [row.dataset.stem, canvas.getAttribute("role"), canvas.getAttribute("aria-label")];
  }));
  for (const [stem, role, label] of said) {
    const row = table.find((r) => r.participant_id === stem);
    assert.equal(role, "img");
    const share = Math.round(100 * row.minutes_kept / row.minutes);
    assert.equal(label, `${Number(row.minutes_kept).toFixed(1)} of ${Number(row.minutes).toFixed(1)} minutes kept, ${share} percent; mean FD ${Number(row.mean_fd_mm).toFixed(3)} millimetres`);
  }
  // And is drawn: more than one colour.
  const colours = await page.$eval("#table canvas", (canvas) => {
    const pixels = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data;
    return new Set(new Uint32Array(pixels.buffer)).size;
  });
  assert.ok(colours > 3, `${colours} colours`);
}));

test("the sentence, the curve of limits and its numbers agree with cohort.tsv", () => on(study.page(), async (page) => {
  const enough = table.filter((row) => row.verdict === "enough").length;
  const sum = (name) => table.reduce((total, row) => total + Number(row[name]), 0).toFixed(1);
  assert.match(await page.textContent(".verdict"), new RegExp(`^${enough} of 12 children have enough data. In all, ${sum("minutes_kept")} of ${sum("minutes")} minutes are kept`));
  await page.getByText("In numbers").click();
  const limits = await page.$$eval("#limits tbody tr", (rows) => rows.map((row) => [...row.cells].map((cell) => cell.textContent)));
  assert.ok(limits.length > 3);
  const counts = limits.filter(([limit]) => limit !== "none").map(([, n]) => Number(n));
  assert.deepEqual(counts, counts.toSorted((a, b) => a - b), "a wider limit keeps no fewer children");
  // At the study's own limit, as many as keep the minutes asked for (children without series keep none in the table).
  const own = Number(limits.find(([limit]) => limit === "0.2")[1]);
  const long = table.filter((row) => Number(row.minutes_kept) >= 5).length;
  const withoutSeries = table.filter((row) => row.runs_joined === "0").length;
  assert.ok(own >= long && own <= long + withoutSeries, `${own}, ${long}, ${withoutSeries}`);
}));

test("by keyboard: / to the filter, arrows from row to row, Enter opens the child, and back", () => on(study.page(), async (page) => {
  await page.keyboard.press("/");
  assert.equal(await page.evaluate(() => document.activeElement.id), "text");
  await page.keyboard.type("sub-0/");
  assert.equal(await page.inputValue("#text"), "sub-0/", "in a field, the key is a letter");
  await page.fill("#text", "");
  await page.focus("#table tbody a");
  const order = ordered(table, (row) => row.mean_fd_mm, true);
  const focused = () => page.evaluate(() => document.activeElement.closest("tr")?.dataset.stem);
  assert.equal(await focused(), order[0]);
  for (let k = 1; k <= 3; k++) {
    await page.keyboard.press("ArrowDown");
    assert.equal(await focused(), order[k]);
  }
  await page.keyboard.press("ArrowUp");
  assert.equal(await focused(), order[2]);
  await page.keyboard.press("Enter");
  await page.waitForURL(/_report\.html$/);
  assert.equal(await page.textContent("h1"), order[2]);
  await page.click("#back");
  await page.waitForURL(/cohort\.html$/);
}));

test("single-letter keys can be turned off, and stay off", () => on(study.page(), async (page) => {
  const box = page.getByLabel("single-letter keys");
  const press = async () => {
    await page.evaluate(() => document.activeElement.blur());
    await page.keyboard.press("/");
    return page.evaluate(() => document.activeElement.id);
  };
  assert.equal(await press(), "text");
  await box.uncheck();
  assert.notEqual(await press(), "text");
  // Chromium hands what a page stores from process to process in its own time, and a reload may come before that.
  const patience = performance.now() + HANG_MS;
  do {
    await page.reload();
    await drawn(page);
  } while (await box.isChecked() && performance.now() < patience);
  assert.equal(await box.isChecked(), false);
  assert.notEqual(await press(), "text");
  await page.getByLabel("single-letter keys").check();
  assert.equal(await press(), "text");
}));

test("of 2000 rows only those in view are in the document, and the last can be reached", () => on(large.path, async (page) => {
  const order = large.rows.toSorted((a, b) => b.mean_fd_mm - a.mean_fd_mm).map((row) => row.stem);
  const look = () => page.evaluate(() => ({
    rows: [...document.querySelectorAll("#table tbody tr[data-stem]")].map((row) => [row.dataset.stem, Number(row.getAttribute("aria-rowindex"))]),
    count: document.querySelector("#table table").getAttribute("aria-rowcount"),
    high: document.getElementById("table").scrollHeight,
  }));
  const first = await look();
  assert.equal(first.count, "2001");
  assert.ok(first.rows.length > 10 && first.rows.length < 60, `${first.rows.length} rows`);
  first.rows.forEach(([stem, at], k) => assert.deepEqual([stem, at], [order[k], k + 2]));
  for (const share of [0.37, 0.5, 1]) {
    await page.evaluate((s) => { const box = document.getElementById("table"); box.scrollTop = s * (box.scrollHeight - box.clientHeight); }, share);
    await settled(page);
    const now = await look();
    assert.ok(now.rows.length < 60, `${now.rows.length} rows`);
    assert.ok(Math.abs(now.high - first.high) < 3, "the scroll bar does not jump");
    for (const [stem, at] of now.rows) assert.equal(stem, order[at - 2]);
    // The window is filled.
    const [top, bottom] = await page.evaluate(() => {
      const box = document.getElementById("table").getBoundingClientRect();
      const rows = [...document.querySelectorAll("#table tbody tr[data-stem]")];
      return [rows[0].getBoundingClientRect().top <= box.top + 60, rows.at(-1).getBoundingClientRect().bottom >= box.bottom - 20];
    });
    assert.ok(top && bottom, `rows fill the window at ${share}`);
  }
  await assertInView(page, order.at(-1));
  // By keyboard from there, past the window's edge.
  await page.focus(`tr[data-stem="${order.at(-1)}"] :is(a, span)`);
  for (let k = 0; k < 20; k++) await page.keyboard.press("ArrowUp");
  await settled(page);
  assert.equal(await page.evaluate(() => document.activeElement.closest("tr").dataset.stem), order.at(-21));
  await assertInView(page, order.at(-21));
}));

test("rows fill a tall window before anything is scrolled", () => on(large.path, async (page) => {
  const left = await page.evaluate(() => document.getElementById("table").getBoundingClientRect().bottom - [...document.querySelectorAll("#table tbody tr[data-stem]")].at(-1).getBoundingClientRect().bottom);
  assert.ok(left < 0, `${left} pixels of the window are empty`);
}, { viewport: { width: 1280, height: 1800 } }));

test("print has every row, and the window comes back afterwards", async () => {
  const some = grown(study.page(), 200);
  await on(some.path, async (page) => {
    const rows = () => page.$$eval("#table tbody tr[data-stem]", (found) => found.length);
    const window = await rows();
    assert.ok(window < 100);
    await page.emulateMedia({ media: "print" });
    await page.evaluate(() => dispatchEvent(new Event("beforeprint")));
    assert.equal(await rows(), 200);
    const clipped = await page.$eval("#table", (box) => box.scrollHeight > box.clientHeight + 1);
    assert.equal(clipped, false, "nothing is left in a scroll box");
    await page.emulateMedia({ media: "screen" });
    await page.evaluate(() => dispatchEvent(new Event("afterprint")));
    await settled(page);
    assert.equal(await rows(), window);
    // The browser's own printing: a window of rows takes two sheets, 200 rows more than five. No column is cut off: the
    // browser itself makes a page smaller by so much that it fits its paper.
    await page.emulateMedia({ media: "print" });
    await page.setViewportSize({ width: 760, height: 1000 });
    const [across, paper] = await page.evaluate(() => [document.querySelector("#table table").scrollWidth, document.documentElement.clientWidth]);
    assert.ok(across <= 1.2 * paper, `the table is ${across} pixels wide, the paper ${paper}`);
    const pdf = (await page.pdf({ format: "A4" })).toString("latin1");
    const sheets = pdf.match(/\/Type\s*\/Page\b/g).length;
    assert.ok(sheets >= 6, `${sheets} sheets`);
  });
});

test("paper is light, whatever the screen is", async () => {
  const strips = {};
  for (const colorScheme of ["light", "dark"]) {
    await on(study.page(), async (page) => {
      const pictures = () => page.$$eval("#table canvas", (all) => all.map((canvas) => canvas.toDataURL()));
      const screen = await pictures();
      await page.evaluate(() => dispatchEvent(new Event("beforeprint")));
      strips[colorScheme] = { screen, paper: await pictures() };
      await page.evaluate(() => dispatchEvent(new Event("afterprint")));
      await settled(page);
      assert.deepEqual(await pictures(), screen);
    }, { colorScheme });
  }
  assert.notDeepEqual(strips.light.screen, strips.dark.screen);
  assert.deepEqual(strips.light.paper, strips.dark.paper);
});
