// For everyone: axe-core finds nothing on either page, as a file and under review, in light and dark, wide and narrow.
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { after, before, test } from "node:test";
import { browser, filePage, servedPage, settled } from "./support/browser.mjs";
import { cohort, serve } from "./support/study.mjs";

const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"];

let chrome;
let study;
let server;
let stem;
before(async () => {
  study = cohort(["--children", "8", "--frames", "200", "--runs", "2", "--seed", "31"]);
  const rows = study.rows();
  stem = rows.find((row) => row.runs_joined === "2" && row.dropped_logged !== "0").participant_id;
  server = await serve(study.results);
  chrome = await browser();
  await decisions(rows.map((row) => row.participant_id));
});
after(async () => {
  await chrome?.close();
  await server?.stop();
});

/** Two reviewers, a disagreement and a torn line, so that every part of the review shows. */
async function decisions(stems) {
  const html = await (await fetch(server.url, { headers: server.headers })).text();
  const token = html.match(/keepstill-token" content="(\w+)"/)[1];
  const { rows } = JSON.parse(html.split('id="data">')[1].split("</script>")[0]);
  for (const reviewer of ["AB", "CD"]) {
    for (const one of stems.slice(0, 4)) {
      const decision = reviewer === "CD" && one === stems[1] ? "exclude" : "include";
      const body = { stem: one, reviewer, decision, reason: "too restless", note: "", settles: false, results_digest: rows.find((row) => row.stem === one).results_digest, shown: null };
      const answer = await fetch(new URL("/api/decide", server.url), { method: "POST", headers: { ...server.headers, "Content-Type": "application/json", "X-Keepstill-Token": token }, body: JSON.stringify(body) });
      assert.equal(answer.status, 200, await answer.text());
    }
  }
}

const pages = {
  "cohort page, file": (options) => filePage(chrome, study.page(), options, [axe]),
  "child page, file": (options) => filePage(chrome, study.child(stem, `${stem}_report.html`), options, [axe]),
  "cohort page, review": (options) => servedPage(chrome, server.url, options, [axe]),
  "child page, review": (options) => servedPage(chrome, new URL(`/child/${stem}`, server.url).href, options, [axe]),
};

for (const [name, open] of Object.entries(pages)) {
  for (const colorScheme of ["light", "dark"]) {
    for (const width of [1280, 390]) {
      test(`${name}, ${colorScheme}, ${width} pixels wide`, async () => {
        const { page, done } = await open({ colorScheme, viewport: { width, height: 900 } });
        if (name.endsWith("review")) await page.waitForSelector(".decide");
        // What is folded away counts as well.
        await page.evaluate(() => document.querySelectorAll("details").forEach((one) => { one.open = true; }));
        await settled(page);
        const found = await page.evaluate((values) => globalThis.axe.run(document, { runOnly: { type: "tag", values } }), RULES);
        const told = found.violations.map((v) => `${v.id}: ${v.help}\n    ${v.nodes.slice(0, 4).map((n) => `${n.target} ${n.any.concat(n.all).map((c) => c.message).join("; ")}`).join("\n    ")}`);
        assert.deepEqual(told, []);
        assert.ok(found.passes.length > 20, "axe-core looked at the page");
        const across = await page.evaluate(() => document.documentElement.scrollWidth);
        assert.ok(across <= width, `the page is ${across} pixels wide`);
        await done();
      });
    }
  }
}
