// With a thumb, on a small screen, without the keyboard: what is to be done, and its answers.
import { base, check, signIn, withBrowser } from "./lib.mjs";

const scripts = process.env.EBBMARK_SCRIPTS === "on";

await withBrowser({ javaScriptEnabled: scripts, viewport: { width: 360, height: 740 }, hasTouch: true }, async (context) => {
  const page = context.pages()[0] ?? (await context.newPage());
  await signIn(page);
  check((await page.locator(".task.due", { hasText: "Push down the figs" }).count()) === 1, "the cellar says what is due");
  await page.getByRole("link", { name: "To do" }).tap();
  await page.waitForURL(`${base}/tasks`);

  const task = (words) => page.locator("li.task", { has: page.getByRole("heading", { name: words }) });
  const figs = task("Push down the figs");
  const cherries = task("Push down the cherries");
  check((await figs.count()) === 1 && (await cherries.count()) === 1, "both vessels' fruit is to be pushed down");
  check((await figs.textContent()).includes("dries out and moulds"), "with its reason");
  check((await figs.textContent()).includes("Since "), "and since when");
  const overflow = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
  check(overflow <= 0, "nothing hangs out of the small screen", String(overflow));
  for (const button of await page.locator(".answers button, .answers a.button").all()) {
    const box = await button.boundingBox();
    check(box.height >= 44 && box.width >= 44, "an answer is as large as a thumb", JSON.stringify(box));
  }
  await page.screenshot({ path: `${process.env.EBBMARK_SHOTS}/tasks.png`, fullPage: true }).catch(() => {});

  await figs.getByRole("button", { name: "Done" }).tap();
  await page.getByRole("status").filter({ hasText: "written in the book" }).waitFor();
  check(!(await figs.getAttribute("class")).includes("due"), "done, the next one lies ahead");

  await cherries.getByRole("button", { name: "Tomorrow" }).tap();
  await page.getByRole("status").filter({ hasText: "Put off." }).waitFor();
  check((await cherries.textContent()).includes("Put off until"), "put off, it says until when");
  await cherries.getByRole("button", { name: "Not this time" }).tap();
  await page.getByRole("status").filter({ hasText: "Not this time." }).waitFor();
  check(!(await cherries.textContent()).includes("Put off until"), "not this time, the next one lies ahead");

  await page.getByRole("link", { name: "Cask" }).first().tap();
  await page.waitForURL(/\/vessel\/\d+$/);
  check((await page.locator("ol.lines li", { hasText: "pushed down" }).count()) === 1, "the book has the one line");
  check((await page.locator("section[aria-labelledby=to-do] li.task").count()) >= 2, "the vessel's page has its tasks too");
  await page.locator("section[aria-labelledby=to-do]").getByRole("button", { name: /^Done\W+taste/ }).tap();
  await page.getByRole("status").filter({ hasText: "Noted: tasted" }).waitFor();
  check((await page.locator("ol.lines li", { hasText: "tasted" }).count()) === 1, "and writes into the same book");
});
