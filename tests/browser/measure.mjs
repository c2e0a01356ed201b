// How fast the cohort page of 2000 children is, in this machine's Chromium. Measured and told, not asserted.
// Usage: KEEPSTILL=target/release/keepstill node tests/browser/measure.mjs [rows]
import { statSync } from "node:fs";
import { browser, filePage } from "./support/browser.mjs";
import { cohort, grown } from "./support/study.mjs";

const rows = Number(process.argv[2] ?? 2000);
const study = cohort(["--children", "12", "--frames", "300", "--seed", "61"]);
const { path } = grown(study.page(), rows);
const chrome = await browser();
const middle = (values) => values.toSorted((a, b) => a - b)[Math.floor(values.length / 2)];
const range = (values) => `${middle(values).toFixed(0)} ms (${Math.min(...values).toFixed(0)} to ${Math.max(...values).toFixed(0)})`;

const paint = [];
const drawn = [];
const sort = { arranged: [], frame: [] };
for (let round = 0; round < 5; round++) {
  const { page, done } = await filePage(chrome, path);
  await page.waitForFunction(() => performance.getEntriesByName("first-contentful-paint").length > 0);
  const [first, mark] = await page.evaluate(() => ["first-contentful-paint", "drawn"].map((name) => performance.getEntriesByName(name)[0].startTime));
  paint.push(first);
  drawn.push(mark);
  for (const key of ["stem", "minutes_kept", "verdict", "covariate 0", "mean_fd_mm"]) {
    // From the click to the frame in which the sorted rows are on the screen.
    const [arranged, frame] = await page.evaluate(async (name) => {
      performance.clearMeasures();
      const from = performance.now();
      document.querySelector(`#table th[data-key="${name}"] button`).click();
      await new Promise((resolve) => requestAnimationFrame(() => setTimeout(resolve)));
      return [performance.getEntriesByName("arranged")[0].duration, performance.now() - from];
    }, key);
    sort.arranged.push(arranged);
    sort.frame.push(frame);
  }
  await done();
}
await chrome.close();
console.log(`${rows} rows, page of ${(statSync(path).size / 1e6).toFixed(2)} MB; middle of ${paint.length} loads and ${sort.frame.length} sorts (least to most)`);
console.log(`first contentful paint: ${range(paint)}`);
console.log(`drawn, all rows sorted and those in view on the page: ${range(drawn)}`);
console.log(`sort, its own work: ${range(sort.arranged)}`);
console.log(`sort, click to the frame that shows it: ${range(sort.frame)}`);
