// A browser on a fresh profile, and the checks the scripts share. What a script found is the last
// line it prints, as JSON: {"done": [...], "failed": [...]}.
import { mkdtempSync, rmSync } from "node:fs";
import { createRequire } from "node:module";
import { tmpdir } from "node:os";
import { join } from "node:path";

const tools = createRequire(join(process.env.EBBMARK_TOOLS, "browser/package.json"));
const { chromium } = tools("playwright-core");
export const axeSource = tools("axe-core").source;

export const base = process.env.EBBMARK_PAGE;
export const password = process.env.EBBMARK_PASSWORD;

const done = [];
const failed = [];

export function check(so, what, detail = "") {
  (so ? done : failed).push(detail && !so ? `${what}: ${detail}` : what);
}

/** Runs `work` with a browser context, then says what came of it. */
export async function withBrowser(options, work) {
  const profile = mkdtempSync(join(tmpdir(), "ebbmark-browser-"));
  const context = await chromium.launchPersistentContext(profile, {
    executablePath: process.env.EBBMARK_CHROMIUM,
    args: [
      "--no-sandbox",
      "--disable-gpu",
      "--disable-quic",
      "--no-first-run",
      "--disable-background-networking",
      "--disable-component-update",
      "--disable-sync",
    ],
    ...options,
  });
  context.setDefaultTimeout(60_000);
  // A blocked script or style, a missing file, an exception: all of them are faults of the page.
  context.on("weberror", (e) => failed.push(`exception: ${e.error()}`));
  context.on("console", (m) => {
    // The last: of a page left while its manifest was under way, which is then read as nothing.
    const expected = m.text().includes("status of 4") || m.text() === "Manifest: Line: 1, column: 1, Syntax error." || /ERR_CONNECTION|ERR_INTERNET_DISCONNECTED/.test(m.text());
    if (m.type() === "error" && !expected) failed.push(`console: ${m.text()}`);
  });
  try {
    await work(context);
  } catch (e) {
    failed.push(`broke off: ${e.stack}`);
  } finally {
    await context.close();
    rmSync(profile, { recursive: true, force: true });
  }
  console.log(JSON.stringify({ done, failed }));
}

export async function signIn(page) {
  await page.goto(`${base}/enter`);
  await page.getByLabel("Password").fill(password);
  await page.getByRole("button", { name: "Sign in" }).click();
  await page.waitForURL(`${base}/`);
}

/** Opens a fold by its summary, unless it stands open. */
export async function unfold(page, summary) {
  // Its own summary: a fold may hold another.
  const fold = page.locator(`xpath=//details[summary[contains(normalize-space(.), ${JSON.stringify(summary)})]]`);
  if ((await fold.getAttribute("open")) === null) await fold.locator("xpath=./summary").click();
  return fold;
}

/** "2026-03-01T06:30" some days ago, UTC. */
export function daysAgo(days) {
  return new Date(Date.now() - days * 86_400_000).toISOString().slice(0, 16);
}
