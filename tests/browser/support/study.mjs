// Cohorts of invented children, made and run by the release binary named in KEEPSTILL; and their tables.
import { execFileSync, spawn } from "node:child_process";
import { copyFileSync, mkdtempSync, readFileSync, rmSync, watch, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { keepAccess, letIn } from "./access.mjs";
import { HANG_MS } from "./browser.mjs";

const program = process.env.KEEPSTILL;
if (!program) throw new Error("KEEPSTILL does not name the release binary; run tests/run, or set it");

const folders = [];
const servers = new Set();
process.on("exit", () => {
  servers.forEach((server) => server.kill("SIGKILL"));
  folders.forEach((folder) => rmSync(folder, { recursive: true, force: true }));
});

export function folder() {
  const made = mkdtempSync(join(tmpdir(), "keepstill-browser-"));
  folders.push(made);
  return made;
}

/** Runs the binary; `codes` are the exit codes that are no fault (1: some scans failed). */
export function keepstill(args, codes = [0]) {
  try {
    return execFileSync(program, args, { encoding: "utf8", stdio: ["ignore", "pipe", "pipe"] });
  } catch (error) {
    if (codes.includes(error.status)) return error.stdout;
    throw new Error(`keepstill ${args.join(" ")} ended with ${error.status}: ${error.stderr}`);
  }
}

/** Changes a text file; `change` must change something. */
export function edit(path, change) {
  const before = readFileSync(path, "utf8");
  const after = change(before);
  if (after === before) throw new Error(`${path}: nothing was changed`);
  writeFileSync(path, after);
}

/** Waits until `check` holds, and looks again at each change in the folder `place`; only a hang ends it otherwise. */
export function until(place, check) {
  return new Promise((resolve, reject) => {
    const changes = watch(place);
    const end = (how, what) => {
      clearTimeout(hang);
      changes.close();
      how(what);
    };
    const hang = setTimeout(() => end(reject, new Error(`never: ${check}`)), HANG_MS);
    const look = () => {
      try {
        if (check()) end(resolve);
      } catch (error) {
        end(reject, error);
      }
    };
    changes.on("change", look).on("error", (error) => end(reject, error));
    look();
  });
}

/** A study of invented children, run. `change` may edit its files before the run. */
export function cohort(options = [], change = () => {}) {
  const place = join(folder(), "study");
  keepstill(["synth", place, "--quiet", ...options]);
  change(place);
  const study = {
    place,
    results: join(place, "results"),
    settings: join(place, "study.toml"),
    run: () => keepstill(["run", join(place, "study.toml"), "--quiet"]),
    page: () => join(place, "results", "cohort.html"),
    rows: () => table(join(place, "results", "cohort.tsv")),
    child: (stem, file) => join(place, "results", stem, "func", file),
  };
  study.run();
  return study;
}

/** `keepstill stack` of a results folder: a copy of the page quality.html, and what quality.json and quality.tsv hold. */
export function stacked(results, options = []) {
  keepstill(["stack", results, "--quiet", ...options]);
  const file = (name) => join(results, "stack", name);
  const page = join(folder(), "quality.html");
  copyFileSync(file("quality.html"), page);
  return { page, told: JSON.parse(readFileSync(file("quality.json"), "utf8")), rows: table(file("quality.tsv")) };
}

/** A tab-separated table: one object per row. */
export function table(path) {
  const [head, ...lines] = readFileSync(path, "utf8").trimEnd().split("\n").map((line) => line.split("\t"));
  return lines.map((cells) => {
    if (cells.length !== head.length) throw new Error(`${path}: a row of ${cells.length} cells, the head has ${head.length}`);
    return Object.fromEntries(head.map((name, k) => [name, cells[k]]));
  });
}

const START = '<script type="application/json" id="data">';
/** The data that a page carries. */
export function pageData(html) {
  return JSON.parse(html.split(START)[1].split("</script>")[0]);
}
/** The same page with other data. */
export function withData(html, data) {
  const [before, after] = html.split(START);
  const rest = after.slice(after.indexOf("</script>"));
  return before + START + JSON.stringify(data).replaceAll("<", "\\u003c") + rest;
}

/** A cohort page of `count` rows: real rows over and over, with other names, and motion and age spread out. */
export function grown(path, count) {
  const html = readFileSync(path, "utf8");
  const data = pageData(html);
  const age = data.covariates.indexOf("age_months");
  data.rows = Array.from({ length: count }, (_, k) => {
    const row = structuredClone(data.rows[k % data.rows.length]);
    // Steps of a prime: every row has its own value, in no order.
    const spread = (k * 7919 % count) / count;
    row.stem = `sub-g${String(k).padStart(5, "0")}`;
    row.participant_id = row.stem;
    row.mean_fd_mm = Number((0.02 + spread).toPrecision(6));
    row.minutes_kept = Number((row.minutes * (1 - spread)).toPrecision(6));
    if (age >= 0) row.covariates[age] = (1 + 90 * (k * 104729 % count) / count).toFixed(2);
    return row;
  });
  const made = join(folder(), "cohort.html");
  writeFileSync(made, withData(html, data));
  return { path: made, rows: data.rows };
}

/**
 * `keepstill review` of a results folder, on a port of its own. `url` is without the access token, which browsers come
 * in by (`servedPage`); `headers` is what `fetch` must send.
 */
export async function serve(results) {
  const child = spawn(program, ["review", results, "--port", "0", "--json"], { stdio: ["ignore", "pipe", "pipe"] });
  servers.add(child);
  let said = "";
  child.stderr.setEncoding("utf8").on("data", (text) => { said += text; });
  const ended = new Promise((resolve) => child.on("close", resolve));
  // Where it listens, as JSON on standard output.
  const found = new Promise((resolve) => {
    let text = "";
    child.stdout.setEncoding("utf8").on("data", (part) => {
      text += part;
      if (text.trimEnd().endsWith("}")) resolve(JSON.parse(text));
    });
  });
  const told = await Promise.race([found, ended.then(() => null)]);
  if (told === null) throw new Error(`keepstill review ended at once: ${said}`);
  const url = keepAccess(told.url);
  const headers = await letIn(url);
  const { decisions } = told;
  const stop = async (signal = "SIGTERM") => {
    child.kill(signal);
    await ended;
    servers.delete(child);
  };
  return { url, headers, decisions, stop };
}
