// `keepstill review`: deciding by keyboard, several reviewers, blinding, results that change, a server that dies.
import assert from "node:assert/strict";
import { existsSync, readFileSync } from "node:fs";
import { join } from "node:path";
import { after, before, test } from "node:test";
import { answering, browser, drawn, servedPage, settled } from "./support/browser.mjs";
import { cohort, edit, serve, table, until } from "./support/study.mjs";

let chrome;
before(async () => { chrome = await browser(); });
after(() => chrome?.close());

const OPTIONS = ["--children", "6", "--frames", "200", "--seed", "21"];
const byAge = (place) => edit(`${place}/study.toml`, (text) => text.replace(/sphere_radius( *)= 50.0/, 'sphere_radius$1= "by-age"'));

/** A study, its server, and a way to open pages of it; everything is ended after `check`. */
async function reviewing(check, change) {
  const study = cohort(OPTIONS, change);
  const server = await serve(study.results);
  const opened = [];
  const open = async (path = "", options = {}) => {
    const one = await servedPage(chrome, new URL(path, server.url).href, options);
    await stated(one.page);
    opened.push(one);
    return one;
  };
  try {
    await check({ study, server, open, order: byMotion(study.rows()), lines: () => decisions(server) });
    for (const one of opened) await one.done();
  } finally {
    // After a failure pages are still open; what they ask of a server that is gone must not be reported as well.
    for (const one of opened) await one.context.close();
    await server.stop();
  }
}
const decisions = (server) => (existsSync(server.decisions) ? table(server.decisions) : []);
const byMotion = (rows) => [...rows].sort((a, b) => b.mean_fd_mm - a.mean_fd_mm).map((row) => row.participant_id);
/** The page has asked where the review stands, and shows it. */
const stated = (page) => page.waitForSelector(".decide");
const saved = (page, word) => page.waitForFunction((w) => document.querySelector(".saved").textContent.startsWith(w), `Saved: ${word}, by `);
const blur = (page) => page.evaluate(() => document.activeElement.blur());
/** Writes initials on the cohort page, which then tells what these may know. */
async function signed(page, reviewer) {
  await page.fill("#reviewer", reviewer);
  await page.keyboard.press("Tab");
  await page.waitForFunction(() => !/withheld/.test(document.querySelector("#review-bar p").textContent));
}
/** Steps with the tabulator key until the element of this id has the focus. */
async function tabTo(page, id) {
  for (let k = 0; k < 60; k++) {
    if (await page.evaluate((wanted) => document.activeElement.id === wanted, id)) return;
    await page.keyboard.press("Tab");
  }
  assert.fail(`${id} is not reached with the tabulator key`);
}
async function decide(page, reviewer, key, word) {
  await page.fill("#reviewer", reviewer);
  await blur(page);
  await page.keyboard.press(key);
  await saved(page, word);
}

test("decide by keyboard alone; the line is on disk; a reload shows it", () => reviewing(async ({ study, server, open, order, lines }) => {
  const { page } = await open();
  await tabTo(page, "reviewer");
  await page.keyboard.type("ab");
  // To the table's first row, and into the child.
  await page.keyboard.press("Escape");
  for (let k = 0; k < 60 && !await page.evaluate(() => document.activeElement.matches("tbody a")); k++) await page.keyboard.press("Tab");
  await page.keyboard.press("Enter");
  await page.waitForURL(`**/child/${order[0]}`);
  await stated(page);
  assert.equal(await page.textContent("h1"), order[0]);
  assert.equal(await page.inputValue("#reviewer"), "AB", "initials are remembered, in capitals");
  assert.deepEqual(lines(), []);
  // Words first: reason by key, own words by key; letters typed there decide nothing.
  await page.keyboard.press("w");
  assert.equal(await page.evaluate(() => document.activeElement.id), "reason");
  await page.keyboard.press("ArrowDown");
  const reason = await page.inputValue("#reason");
  assert.notEqual(reason, "");
  await page.keyboard.press("Escape");
  await page.keyboard.press("t");
  await page.keyboard.type("quite uneasie");
  assert.deepEqual(lines(), []);
  await page.keyboard.press("Escape");
  await page.keyboard.press("e");
  await saved(page, "exclude");
  const [line] = lines();
  const digest = study.rows().find((row) => row.participant_id === order[0]).results_digest;
  assert.deepEqual({ ...line, time: undefined, results_digest: undefined }, { time: undefined, reviewer: "AB", participant_id: order[0], session_id: "n/a", run_id: "n/a",
    decision: "exclude", reason, note: "quite uneasie", settles: "0", blinded: "1", results_digest: undefined });
  assert.match(line.time, /^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$/);
  assert.match(line.results_digest, /^[0-9a-f]{64}$/);
  assert.equal(line.results_digest, digest);
  // A changed mind is a new line.
  await page.keyboard.press("i");
  await saved(page, "include");
  await page.keyboard.press("u");
  await saved(page, "unsure");
  assert.deepEqual(lines().map((l) => l.decision), ["exclude", "include", "unsure"]);
  await page.reload();
  await stated(page);
  assert.match(await page.textContent(".decide"), /Standing: unsure \(AB\)/);
  await page.getByText("Decisions so far, and keys").click();
  const history = await page.$$eval(".history li", (items) => items.map((item) => item.textContent));
  assert.equal(history.length, 3);
  assert.match(history[0], /AB: unsure/);
  assert.match(history[2], /AB: exclude/);
  assert.ok(history[2].includes(reason) && history[2].includes("quite uneasie"));
  // And the cohort page.
  await page.click("#back");
  await page.waitForURL(server.url);
  await stated(page);
  assert.match(await page.textContent("#review-bar"), /1 unsure; 5 not reviewed\./);
  const cells = await page.$$eval("#table tbody tr[data-stem]", (rows) => rows.map((row) => [row.dataset.stem, row.textContent]));
  for (const [stem, text] of cells) assert.equal(/unsure/.test(text), stem === order[0]);
  // The cohort table follows.
  await until(study.results, () => study.rows().find((row) => row.participant_id === order[0]).review === "unsure");
  assert.deepEqual(study.rows().map((row) => row.reviewers).filter((who) => who !== "n/a"), ["AB"]);
}));

test("what others decided is withheld until one has decided, or asks for it", () => reviewing(async ({ open, order }) => {
  const { page: first } = await open(`/child/${order[0]}`);
  await decide(first, "QR", "e", "exclude");
  const { page: second } = await open(`/child/${order[0]}`);
  await second.fill("#reviewer", "ST");
  await blur(second);
  assert.match(await second.textContent(".decide"), /1 other has decided/);
  assert.doesNotMatch(await second.textContent(".decide"), /QR/);
  await decide(second, "ST", "i", "include");
  assert.match(await second.textContent(".decide"), /Standing: disagreement \(QR, ST\)/);
  const { page: third } = await open(`/child/${order[0]}`);
  await third.getByRole("button", { name: "show it now" }).click();
  await third.waitForFunction(() => /Standing: disagreement \(QR, ST\)/.test(document.querySelector(".decide").textContent));
}));

test("without initials nothing is saved, and the page asks for them", () => reviewing(async ({ open, order, lines }) => {
  const { page } = await open(`/child/${order[1]}`);
  await page.keyboard.press("i");
  await page.waitForFunction(() => document.querySelector(".saved").textContent !== "");
  assert.equal(await page.textContent(".saved"), "Enter your initials first.");
  assert.equal(await page.evaluate(() => document.activeElement.id), "reviewer");
  assert.deepEqual(lines(), []);
}));

test("an answer that was asked for before a decision does not hide it", () => reviewing(async ({ open, order }) => {
  const { page } = await open(`/child/${order[0]}`);
  // Leaving the field of initials asks where the child stands; that answer is kept back until the decision is saved.
  let answer;
  const kept = new Promise((resolve) => { answer = resolve; });
  let given;
  const over = new Promise((resolve) => { given = resolve; });
  await page.route("**/api/state*", async (route) => {
    const early = await route.fetch();
    await kept;
    await route.fulfill({ response: early });
    given();
  });
  await decide(page, "OP", "i", "include");
  const taken = page.waitForEvent("requestfinished", (request) => request.url().includes("/api/state"));
  answer();
  await Promise.all([over, taken]);
  await settled(page);
  assert.match(await page.textContent(".decide"), /Standing: include \(OP\)/);
}));

test("n and p go to the neighbours in the order that the cohort page had", () => reviewing(async ({ open }) => {
  const { page } = await open();
  // Another order than the first: by name, from the last.
  await page.click('#table th[data-key="stem"] button');
  await page.click('#table th[data-key="stem"] button');
  assert.equal(await page.getAttribute('#table th[data-key="stem"]', "aria-sort"), "descending");
  await page.click('#table a:text-is("sub-05")');
  await page.waitForURL("**/child/sub-05");
  await stated(page);
  await page.keyboard.press("n");
  await page.waitForURL("**/child/sub-04");
  await stated(page);
  await page.keyboard.press("p");
  await page.waitForURL("**/child/sub-05");
  await stated(page);
  await page.keyboard.press("p");
  await page.waitForURL("**/child/sub-06");
  await stated(page);
  assert.equal(await page.textContent("#neighbours"), " next (n) →", "the first has none before it");
}));

test("two reviewers: the disagreement is listed, counted, and settled", () => reviewing(async ({ study, open, order, lines }) => {
  const words = { i: "include", e: "exclude", u: "unsure" };
  // Agreement on four of six.
  const given = { AB: ["i", "i", "e", "e", "u", "i"], CD: ["i", "i", "e", "i", "u", "e"] };
  for (const [reviewer, keys] of Object.entries(given)) {
    const { page } = await open(`/child/${order[0]}`);
    for (const [k, key] of keys.entries()) {
      await page.goto(new URL(`/child/${order[k]}`, page.url()).href);
      await stated(page);
      await decide(page, reviewer, key, words[key]);
    }
  }
  assert.equal(lines().length, 12);
  const { page } = await open();
  // Who has not said who they are is not told what others decided.
  assert.match(await page.textContent("#review-bar"), /6 withheld; 0 not reviewed\./);
  await signed(page, "AB");
  const listed = await page.$$eval("#review-bar li a", (links) => links.map((link) => link.textContent));
  assert.deepEqual(listed.toSorted(), [order[3], order[5]].toSorted());
  assert.match(await page.textContent("#review-bar"), /2 include.*1 exclude.*1 unsure.*2 disagreement; 0 not reviewed\./);
  const cells = await page.$$eval("#review-bar table tbody tr", (rows) => rows.map((row) => [...row.cells].map((cell) => cell.textContent)));
  // Cohen's kappa by hand: agreement 4/6; by chance (3·3 + 2·2 + 1·1)/36 = 14/36; (24 − 14)/(36 − 14) = 10/22.
  assert.equal(cells.length, 1);
  assert.deepEqual(cells[0].slice(0, 4), ["AB and CD", "6", "4", (10 / 22).toFixed(2)]);
  assert.match(cells[0][4], /^-?\d\.\d\d to \d\.\d\d$/);
  // Filter by disagreement.
  await page.getByRole("combobox", { name: "review", exact: true }).selectOption("disagreement");
  assert.equal(await page.textContent("#count"), "2 of 6 rows.");
  // Settle one from its link.
  await page.click(`#review-bar li a:text-is("${order[3]}")`);
  await page.waitForURL(`**/child/${order[3]}`);
  await stated(page);
  assert.match(await page.textContent(".decide"), /Standing: disagreement \(AB, CD\)/);
  await page.getByLabel("settles a disagreement").check();
  await decide(page, "AB", "e", "exclude");
  assert.match(await page.textContent(".decide"), /Standing: exclude/);
  const last = lines().at(-1);
  assert.deepEqual([last.settles, last.decision, last.reviewer], ["1", "exclude", "AB"]);
  await page.goto(new URL("/", page.url()).href);
  await stated(page);
  assert.deepEqual(await page.$$eval("#review-bar li a", (links) => links.map((link) => link.textContent)), [order[5]]);
  await until(study.results, () => study.rows().find((row) => row.participant_id === order[3]).review === "exclude");
  const rows = Object.fromEntries(study.rows().map((row) => [row.participant_id, row.review]));
  assert.deepEqual(order.map((stem) => rows[stem]), ["include", "include", "exclude", "exclude", "unsure", "disagreement"]);
}));

test("a click counts although the answer to new initials comes while the button is pressed", () => reviewing(async ({ open }) => {
  const { page } = await open();
  await page.fill("#reviewer", "EF");
  const press = async () => {
    await page.getByRole("button", { name: "show group, sex and age" }).hover();
    const told = page.waitForResponse((answer) => answer.url().includes("/api/state"));
    await page.mouse.down();
    await (await told).finished();
    await settled(page);
    await page.mouse.up();
  };
  assert.match(await answering(page, press, (dialog) => dialog.dismiss()), /recorded with your initials/);
}));

test("group, sex and age are hidden: no word of them is sent", () => reviewing(async ({ study, server, open, order, lines }) => {
  const people = table(join(study.place, "participants.tsv"));
  const groups = [...new Set(people.map((row) => row.group))];
  assert.ok(groups.length >= 2);
  const served = async (path) => (await (await fetch(new URL(path, server.url), { headers: server.headers })).text());
  for (const path of ["/", ...order.map((stem) => `/child/${stem}`)]) {
    const html = await served(path);
    // The pages' own program is the same for every child, and has numbers of its own.
    const sent = html.replace(/<script(?![^>]*json)[^>]*>[^]*?<\/script>/g, "");
    assert.ok(sent.includes('id="data"') && sent.length < html.length);
    for (const age of people.map((row) => `"${row.age_months}"`)) assert.ok(!sent.includes(age), `${path} holds ${age}`);
    for (const word of [...groups, "radius_by", "months, "]) assert.ok(!html.includes(word), `${path} holds ${word}`);
    for (const { age_months: age } of people) assert.ok(!new RegExp(`age ${age}\\b`).test(html));
    const found = html.match(/.{0,60}\b(age_months|participants\.tsv)\b.{0,30}/);
    assert.ok(found === null, `${path} holds ${found?.[0]}`);
  }
  const { page } = await open();
  assert.deepEqual(await page.$$eval("#table thead th", (cells) => cells.map((c) => c.dataset.key).filter((key) => key.startsWith("covariate"))), []);
  assert.match(await page.textContent("#review-bar"), /Group, sex and age are hidden/);
  // Said no: nothing happens.
  await page.fill("#reviewer", "EF");
  const show = () => page.getByRole("button", { name: "show group, sex and age" }).click();
  await answering(page, show, (dialog) => dialog.dismiss());
  assert.ok(!existsSync(join(study.results, "review", "unhidden.tsv")));
  // Said yes: logged, then shown.
  const asked = await answering(page, show, (dialog) => dialog.accept());
  await page.waitForURL(/\?shown=/);
  await drawn(page);
  await stated(page);
  assert.match(asked, /recorded with your initials/);
  const log = table(join(study.results, "review", "unhidden.tsv"));
  assert.deepEqual(log.map((line) => line.reviewer), ["EF"]);
  assert.match(log[0].time, /^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$/);
  const heads = await page.$$eval("#table thead th button", (buttons) => buttons.map((b) => b.textContent));
  for (const name of ["age_months", "sex", "group"]) assert.ok(heads.includes(name), name);
  const shown = await page.$$eval("#table tbody tr[data-stem]", (rows) => rows.map((row) => [row.dataset.stem, row.textContent]));
  for (const [stem, text] of shown) assert.ok(text.includes(people.find((row) => row.participant_id === stem).group), stem);
  // It stays shown on the way to a child, and the decision says so.
  await page.click(`#table a:text-is("${order[0]}")`);
  await page.waitForURL(`**/child/${order[0]}?shown=*`);
  await stated(page);
  assert.match(await page.textContent(".decide"), /are shown, and your decisions record it/);
  await decide(page, "EF", "i", "include");
  assert.equal(lines().at(-1).blinded, "0");
  // Without the key it is hidden again.
  await page.goto(server.url);
  await stated(page);
  assert.match(await page.textContent("#review-bar"), /Group, sex and age are hidden/);
}, byAge));

test("keys of one letter can be turned off: then they decide nothing", () => reviewing(async ({ open, order, lines }) => {
  const { page } = await open(`/child/${order[2]}`);
  await page.fill("#reviewer", "GH");
  await page.getByLabel("single-letter keys").uncheck();
  await blur(page);
  for (const key of ["i", "e", "u", "n", "p", "w", "t", "r"]) await page.keyboard.press(key);
  await settled(page);
  assert.equal(await page.evaluate(() => document.activeElement.tagName), "BODY");
  assert.equal(await page.textContent(".saved"), "");
  assert.deepEqual(lines(), []);
  await page.getByRole("button", { name: "unsure (u)" }).click();
  await saved(page, "unsure");
  assert.equal(lines().length, 1);
}));

test("a reason can be added to the list, and is there for the next", () => reviewing(async ({ study, open, order, lines }) => {
  const { page } = await open(`/child/${order[0]}`);
  await page.fill("#reviewer", "IJ");
  const add = () => page.getByRole("button", { name: "add a reason" }).click();
  await answering(page, add, (dialog) => dialog.accept("blanket over the head coil"));
  await page.waitForFunction(() => document.getElementById("reason").value === "blanket over the head coil");
  assert.ok(readFileSync(join(study.results, "review", "reasons.txt"), "utf8").endsWith("\nblanket over the head coil\n"));
  await decide(page, "IJ", "e", "exclude");
  assert.equal(lines()[0].reason, "blanket over the head coil");
  await page.goto(new URL(`/child/${order[1]}`, page.url()).href);
  await stated(page);
  await page.selectOption("#reason", "blanket over the head coil");
}));

test("when results change, decisions are out of date, and a page of the old ones cannot decide", () => reviewing(async ({ study, open, order, lines }) => {
  const { page, complaints } = await open(`/child/${order[0]}`);
  await decide(page, "KL", "i", "include");
  edit(study.settings, (text) => text.replace(/fd_mm( *)= 0.2/, "fd_mm$1= 0.35"));
  study.run();
  assert.equal(study.rows().find((row) => row.participant_id === order[0]).review, "out_of_date", "run writes the columns too");
  // The page that is still open is of the old results.
  await blur(page);
  await page.keyboard.press("e");
  await page.waitForFunction(() => /changed since/.test(document.querySelector(".saved").textContent));
  assert.match(await page.textContent(".saved"), /reload/);
  // The browser itself writes that the request was refused; nothing else.
  assert.deepEqual(complaints.splice(0).filter((words) => !/status of 409/.test(words)), []);
  assert.equal(lines().length, 1);
  await page.reload();
  await stated(page);
  assert.match(await page.textContent(".decide"), /Standing: out of date/);
  await page.getByText("Decisions so far, and keys").click();
  assert.match(await page.textContent(".history"), /out of date: the results have changed since/);
  await decide(page, "KL", "e", "exclude");
  assert.match(await page.textContent(".decide"), /Standing: exclude \(KL\)/);
  assert.notEqual(lines()[0].results_digest, lines()[1].results_digest);
  const { page: list } = await open();
  await list.getByRole("button", { name: "show all decisions" }).click();
  await list.waitForFunction(() => /1 exclude/.test(document.getElementById("review-bar").textContent));
  assert.match(await list.textContent("#review-bar"), /1 exclude; 5 not reviewed\./);
}));

test("when the server is gone, the page says that nothing was saved", async () => {
  const study = cohort(OPTIONS);
  const server = await serve(study.results);
  const opened = await servedPage(chrome, new URL(`/child/${study.rows()[0].participant_id}`, server.url).href);
  const { page, complaints } = opened;
  await stated(page);
  await decide(page, "MN", "i", "include");
  await server.stop("SIGKILL");
  await blur(page);
  await page.keyboard.press("e");
  await page.waitForFunction(() => /Nothing was saved/.test(document.querySelector(".saved").textContent));
  assert.match(await page.textContent(".saved"), /keepstill review/);
  assert.match(await page.textContent(".decide"), /Standing: include \(MN\)/, "what was saved before still stands");
  assert.equal(decisions(server).length, 1);
  assert.equal(await page.getByRole("button", { name: "exclude (e)" }).isEnabled(), true);
  // The browser itself writes that the connection was refused; nothing else.
  assert.deepEqual(complaints.splice(0).filter((words) => !/ERR_CONNECTION_REFUSED/.test(words)), []);
  await opened.done();
});
