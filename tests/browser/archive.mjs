// Years of meads on a phone and on a wide screen: found by a word, ticked, laid over one another, and
// their data taken home. Pictures go to $EBBMARK_SHOTS.
import { mkdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import { axeSource, base, check, signIn, withBrowser } from "./lib.mjs";

const scripts = process.env.EBBMARK_SCRIPTS === "on";
const shots = process.env.EBBMARK_SHOTS;
mkdirSync(shots, { recursive: true });
const TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"];

/** Light and dark, small and wide: nothing hangs over the side, and nothing bars anyone. */
async function looks(page, name) {
  for (const colorScheme of ["light", "dark"]) {
    await page.emulateMedia({ colorScheme });
    for (const width of [390, 1400]) {
      await page.setViewportSize({ width, height: 900 });
      const wide = await page.evaluate(() => document.documentElement.scrollWidth);
      check(wide <= width, `${name} at ${width}: no scrolling sideways`, `${wide} px`);
      await page.screenshot({ path: join(shots, `${name}-${width}-${colorScheme}.png`), fullPage: true });
      // axe is a script itself.
      if (!scripts) continue;
      await page.evaluate(axeSource);
      const { violations } = await page.evaluate((tags) => axe.run({ runOnly: tags }), TAGS);
      const found = violations.map((v) => `${v.id} (${v.nodes.map((n) => n.html.slice(0, 200)).join(" | ")})`);
      check(found.length === 0, `${name} at ${width}, ${colorScheme}: no barriers`, found.join("; "));
    }
  }
  await page.emulateMedia({ colorScheme: "light" });
  await page.setViewportSize({ width: 390, height: 844 });
}

await withBrowser({ javaScriptEnabled: scripts, viewport: { width: 390, height: 844 }, hasTouch: true, acceptDownloads: true }, async (context) => {
  const page = context.pages()[0] ?? (await context.newPage());
  await signIn(page);
  await page.getByRole("link", { name: "Archive" }).tap();
  await page.waitForURL(`${base}/archive`);
  check(await page.getByText("7 meads", { exact: true }).isVisible(), "all seven are listed");
  const first = page.locator("ul.meads li").first();
  check((await first.textContent()).includes("Abendrot"), "the latest first");
  for (const words of ["Höhenhonig", "1.1000", "1.000", "% vol", "wine yeast, invented"]) {
    check((await first.textContent()).includes(words), `its line says ${words}`, await first.textContent());
  }
  await looks(page, "archive");

  // Typed as a phone's keyboard gives it, without the umlaut.
  await page.getByLabel("Words").fill("hohenhonig");
  await page.getByRole("button", { name: "Find" }).tap();
  await page.getByText("1 mead", { exact: true }).waitFor();
  for (const box of await page.locator(".tick").all()) {
    const { width, height } = await box.boundingBox();
    check(width >= 44 && height >= 44, "a tick is as large as a thumb", `${width} × ${height}`);
  }
  await page.getByLabel("Compare Abendrot").check();
  await page.getByRole("button", { name: "Look for more to compare" }).tap();
  await page.getByText("7 meads", { exact: true }).waitFor();
  check(await page.getByLabel("Compare Abendrot").isChecked(), "a tick is kept from one search to the next");
  await page.getByLabel("Compare Clover").check();
  await page.getByRole("button", { name: "Compare", exact: true }).tap();
  await page.waitForURL(/\/compare\?/);
  // The others are summed up by the task that rolls hours, in its time.
  for (let n = 0; n < 120 && (await page.locator("figure svg.tall .f-usual").count()) === 0; n++) {
    await page.waitForTimeout(500);
    await page.reload();
  }

  const svg = page.locator("figure svg.tall");
  check(await svg.isVisible(), "the small screen has its own drawing");
  check((await page.locator("figure svg.wide").isVisible()) === false, "and not the wide one");
  const strokes = await svg.evaluate((el) =>
    ["s-one", "s-two"].map((name) => {
      const style = getComputedStyle(el.querySelector(`.${name}`));
      return `${style.stroke} ${style.strokeDasharray}`;
    }),
  );
  check(new Set(strokes.map((s) => s.split(" ").at(-1))).size === 2, "the dashes tell the curves apart without colour", strokes.join("; "));
  check((await svg.locator(".f-usual").count()) === 1, "the usual band is shaded");
  const letters = await svg.locator(".f-line-words").allTextContents();
  check(letters.some((l) => l.trim() === "A") && letters.some((l) => l.trim() === "B"), "each curve has its letter", letters.join());
  const text = await page.locator("main").textContent();
  for (const words of ["Behind the usual from day", "racked", "off the lees into the cold", "Went the usual way throughout.", "5 other finished meads"]) {
    check(text.includes(words), `it says "${words}"`, text);
  }
  const cell = (label, column) => page.locator("table.figures tr", { has: page.getByRole("rowheader", { name: label, exact: true }) }).locator("td").nth(column);
  check(/^15\.\d days$/.test(await cell("Half of the fall", 0).textContent()), "half of the fall, after its rest", await cell("Half of the fall", 0).textContent());
  check((await cell("Half of the fall", 1).textContent()) === "6.3 days", "and of the other", await cell("Half of the fall", 1).textContent());
  check((await cell("Stood still", 0).textContent()).startsWith("at 1.06"), "it stood still", await cell("Stood still", 0).textContent());
  await looks(page, "compare-time");

  const download = page.waitForEvent("download");
  await page.getByRole("link", { name: "as CSV" }).tap();
  const file = readFileSync(await (await download).path(), "utf8").trim().split("\n");
  check(file[0] === "mead,name,what,days,value,low,high", "the file says what its columns are", file[0]);
  check(file.filter((l) => l.includes("Abendrot,sugar_left_percent")).length === 100, "with every hundredth of the fall");

  await page.getByRole("link", { name: "Speed, by sugar used" }).tap();
  await page.waitForURL(/by=sugar/);
  const bySugar = await page.locator("main").textContent();
  check(bySugar.includes("Slower than usual from day 6."), "by sugar it was slow", bySugar);
  check(bySugar.includes("off the lees into the cold"), "and it says what was done before");
  await looks(page, "compare-sugar");
  await page.getByRole("link", { name: "Gravity, by days" }).tap();
  await page.waitForURL(/by=gravity/);
  check((await page.locator("figure svg.tall .f-usual").count()) === 0, "gravities have no usual band");
  await looks(page, "compare-gravity");
  await page.getByRole("link", { name: "Choose others" }).tap();
  await page.waitForURL(/\/archive\?/);
  check(await page.getByLabel("Compare Clover").isChecked(), "back in the archive they are still ticked");
});
