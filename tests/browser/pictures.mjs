// Pictures of both pages, light and dark, for the documentation; docs/pictures/make calls it.
// Usage: node tests/browser/pictures.mjs FOLDER [WIDTH]
import { statSync } from "node:fs";
import { join } from "node:path";
import { browser, filePage, settled } from "./support/browser.mjs";
import { cohort } from "./support/study.mjs";

const [folder, width = "1280"] = process.argv.slice(2);
const study = cohort(["--children", "24", "--frames", "300", "--seed", "8"]);
const rows = study.rows();
// A child who moved and was logged, and kept enough for a matrix.
const child = rows.find((row) => row.runs_joined === "1" && row.dropped_logged !== "0" && Number(row.mean_fd_mm) > 0.15).participant_id;
const chrome = await browser();
for (const colorScheme of ["light", "dark"]) {
  for (const [name, path] of [["cohort", study.page()], ["child", study.child(child, `${child}_report.html`)]]) {
    const { page, done } = await filePage(chrome, path, { colorScheme, viewport: { width: Number(width), height: name === "cohort" ? 1300 : 1000 } });
    await settled(page);
    const file = join(folder, `${name}-${colorScheme}.png`);
    await page.screenshot({ path: file, fullPage: process.env.WHOLE === "1" });
    console.log(`${file}: ${statSync(file).size} bytes`);
    await done();
  }
}
await chrome.close();
