// Every reckoning used once, filled in and answered while it is typed; nothing bars anybody.
import { readFileSync } from "node:fs";
import { axeSource, base, check, signIn, withBrowser } from "./lib.mjs";

const rows = JSON.parse(readFileSync(new URL("reckonings.json", import.meta.url)));
const TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"];

async function barriers(page, name) {
  // The bar at the lower edge of a small screen lies over what is scrolled past it.
  await page.evaluate(() => window.scrollTo(0, document.body.scrollHeight));
  await page.evaluate(axeSource);
  const { violations } = await page.evaluate((tags) => axe.run({ runOnly: tags }), TAGS);
  const found = violations.map((v) => `${v.id} (${v.nodes.map((n) => n.html.slice(0, 200)).slice(0, 3).join(" | ")})`);
  check(found.length === 0, `${name}: no barriers`, found.join("; "));
  const { width } = page.viewportSize();
  const wide = await page.evaluate(() => document.documentElement.scrollWidth);
  check(wide <= width, `${name} at ${width}: no scrolling sideways`, `${wide} px`);
}

async function fill(page, path, text) {
  const field = page.locator(`form.asked [name="${path}"]`);
  // A further row is asked for until it is there.
  while ((await field.count()) === 0) {
    const more = page.locator(`[data-rows="${path.split(".")[0]}"] .more`);
    if ((await more.count()) === 0 || !(await more.isVisible())) throw new Error(`no field ${path}`);
    await more.click();
  }
  const list = await field.evaluate((e) => e.tagName === "SELECT");
  await (list ? field.selectOption(text) : field.fill(text));
}

await withBrowser({ viewport: { width: 390, height: 844 } }, async (context) => {
  const page = context.pages()[0] ?? (await context.newPage());
  await signIn(page);
  await page.getByRole("link", { name: "Reckon" }).click();
  const offered = await page.locator("ul.reckonings a").evaluateAll((all) => all.map((a) => a.getAttribute("href")));
  const used = rows.map((row) => `/reckon/${row.key}`);
  check(
    JSON.stringify([...offered].sort()) === JSON.stringify([...used].sort()),
    "every reckoning is used",
    `offered ${offered}, used ${used}`,
  );
  for (const { key, fields, says, shows } of rows) {
    await page.goto(`${base}/reckon/${key}`);
    await page.evaluate(() => (window.neverLoadedAgain = true));
    for (const [path, text] of Object.entries(fields)) await fill(page, path, text);
    // Not sent by any button: the answer follows what is typed.
    const told = page.locator("#told");
    for (const words of says) {
      const found = await told.filter({ hasText: words }).waitFor({ timeout: 20_000 }).then(() => true, () => false);
      check(found, `${key} says "${words}"`, await told.textContent());
    }
    const answer = await page.locator("#answer").textContent();
    for (const words of shows) check(answer.includes(words), `${key} shows "${words}"`, answer);
    check(await page.evaluate(() => window.neverLoadedAgain === true), `${key}: in place`);
    const ground = await page.locator("#ground").textContent();
    check(/How sure/.test(ground) && ground.includes("Formula, source"), `${key}: how sure, and by which formula`);
    await barriers(page, key);

    // The address leads back to the same answer.
    const before = await told.textContent();
    await page.goto(page.url());
    check((await told.textContent()) === before, `${key}: its address is its answer`);
    await page.setViewportSize({ width: 1400, height: 900 });
    await page.emulateMedia({ colorScheme: "dark" });
    await barriers(page, key);
    await page.setViewportSize({ width: 390, height: 844 });
    await page.emulateMedia({ colorScheme: "light" });
  }
});
