// Debian's Chromium, and pages that are watched: what they ask for, what they complain of.
import assert from "node:assert/strict";
import { existsSync } from "node:fs";
import { pathToFileURL } from "node:url";
import { chromium } from "playwright-core";
import { entrance } from "./access.mjs";

/** No test passes or fails by a clock: tests wait for events, and this only ends one that hangs. */
export const HANG_MS = 5 * 60_000;

const executablePath = process.env.CHROMIUM ?? ["/usr/bin/chromium", "/usr/bin/chromium-browser"].find(existsSync);
if (!executablePath) throw new Error("there is no Chromium; install Debian's package chromium, or name one in CHROMIUM");

/** A browser with a new profile, that asks for nothing by itself. */
export function browser() {
  return chromium.launch({
    executablePath,
    args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
      "--disable-component-update", "--disable-sync"],
  });
}

/**
 * A page in a profile of its own. `allowed(url)` says which addresses it may ask for; each console error or warning,
 * each error thrown, each breach of the content security policy and each other request is a complaint.
 */
export async function watched(chrome, allowed, options = {}, scripts = []) {
  const context = await chrome.newContext({ viewport: { width: 1280, height: 900 }, ...options });
  const complaints = [];
  const requests = [];
  await context.addInitScript(() => {
    addEventListener("securitypolicyviolation", (event) => console.error(`policy: ${event.violatedDirective} ${event.blockedURI}`));
  });
  for (const content of scripts) await context.addInitScript({ content });
  context.on("request", (request) => {
    requests.push(request.url());
    if (!allowed(request.url(), request)) complaints.push(`asked for ${request.url()}`);
  });
  context.on("console", (message) => {
    if (["error", "warning"].includes(message.type())) complaints.push(`${message.type()}: ${message.text()}`);
  });
  context.on("weberror", (error) => complaints.push(`threw ${error.error()}`));
  const page = await context.newPage();
  page.setDefaultTimeout(HANG_MS);
  const done = async () => {
    await context.close();
    assert.deepEqual(complaints, []);
  };
  return { page, context, complaints, requests, done };
}

/** A page as a file: it may ask for nothing but files that are opened, as pages. */
export async function filePage(chrome, path, options, scripts) {
  const opened = await watched(chrome, (url, request) => url.startsWith("file:") && request.isNavigationRequest(), options, scripts);
  await opened.page.goto(pathToFileURL(path).href);
  await drawn(opened.page);
  return opened;
}

/** A page without a script, as a file: it may ask for nothing but itself, and is there as soon as it is loaded. */
export async function stillPage(chrome, path, options, scripts) {
  const own = pathToFileURL(path).href;
  const opened = await watched(chrome, (url, request) => url === own && request.isNavigationRequest(), options, scripts);
  await opened.page.goto(own);
  return opened;
}

/** A served page, come to by way of the access token: it may ask for nothing but its own origin. */
export async function servedPage(chrome, url, options, scripts) {
  const origin = new URL(url).origin;
  const opened = await watched(chrome, (asked) => new URL(asked).origin === origin, options, scripts);
  await opened.page.goto(entrance(url));
  // The token is gone from the address.
  await opened.page.waitForURL(url);
  await drawn(opened.page);
  return opened;
}

/** Does `act`, which opens one dialog, and answers that dialog once; what the dialog said. */
export async function answering(page, act, answer) {
  // A click ends when its dialog is answered, so both are waited for together; a failure of either is the test's own.
  const asked = page.waitForEvent("dialog").then(async (dialog) => {
    await answer(dialog);
    return dialog.message();
  });
  const [message] = await Promise.all([asked, act()]);
  return message;
}
/** Waits until the page's script has drawn; `drawn` is a mark that the page sets at its end. */
export async function drawn(page) {
  await page.waitForFunction(() => performance.getEntriesByName("drawn").length > 0);
}
/** Two frames: what was asked of requestAnimationFrame is done. */
export function settled(page) {
  return page.evaluate(() => new Promise((resolve) => requestAnimationFrame(() => requestAnimationFrame(resolve))));
}
