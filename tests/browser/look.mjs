// Every page, light and dark, on a small screen and a wide one: nothing hangs over the side, and
// axe finds no barrier (WCAG 2.2, levels A and AA). Pictures go to $EBBMARK_SHOTS.
import { mkdirSync } from "node:fs";
import { join } from "node:path";
import { axeSource, base, check, signIn, unfold, withBrowser } from "./lib.mjs";

const shots = process.env.EBBMARK_SHOTS;
mkdirSync(shots, { recursive: true });
const WIDTHS = [390, 1400];
const TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"];

async function barriers(page, name) {
  // The bar at the lower edge of a small screen lies over what is scrolled past it.
  await page.evaluate(() => window.scrollTo(0, document.body.scrollHeight));
  await page.evaluate(axeSource);
  const { violations } = await page.evaluate((tags) => axe.run({ runOnly: tags }), TAGS);
  const found = violations.map((v) => `${v.id} (${v.nodes.map((n) => n.html.slice(0, 200)).slice(0, 3).join(" | ")})`);
  check(found.length === 0, `${name}: no barriers`, found.join("; "));
}

async function looks(page, name) {
  for (const scheme of ["light", "dark"]) {
    await page.emulateMedia({ colorScheme: scheme });
    for (const width of WIDTHS) {
      await page.setViewportSize({ width, height: 900 });
      const wide = await page.evaluate(() => document.documentElement.scrollWidth);
      check(wide <= width, `${name} at ${width}: no scrolling sideways`, `${wide} px`);
      await page.screenshot({ path: join(shots, `${name}-${width}-${scheme}.png`), fullPage: true });
      await barriers(page, `${name} at ${width}, ${scheme}`);
    }
  }
}

await withBrowser({ viewport: { width: 1400, height: 900 } }, async (context) => {
  const page = context.pages()[0] ?? (await context.newPage());
  await page.goto(`${base}/enter`);
  await looks(page, "enter");
  await page.goto(`${base}/`);
  await looks(page, "cellar-guest");
  await signIn(page);
  await looks(page, "cellar");
  const vessels = await page.locator("a.vessel-name").evaluateAll((all) => all.map((a) => a.href));
  check(vessels.length === 4, "four vessels", `${vessels.length}`);
  for (const [i, address] of vessels.entries()) {
    await page.goto(address);
    const svgs = await page.locator("figure svg").evaluateAll((all) =>
      all.map((svg) => {
        const words = (svg.getAttribute("aria-labelledby") ?? "").split(" ");
        const described = (svg.getAttribute("aria-describedby") ?? "").split(" ");
        const text = (name) => svg.querySelector(name)?.textContent.trim() ?? "";
        const ids = [...words, ...described].filter(Boolean);
        return { title: text("title"), desc: text("desc"), role: svg.getAttribute("role"), lost: ids.filter((id) => !document.getElementById(id)) };
      }),
    );
    check(svgs.length > 0, `vessel ${i}: a curve`);
    for (const svg of svgs) {
      check(svg.title && svg.desc && ["img", "group"].includes(svg.role) && !svg.lost.length, `vessel ${i}: the curve says what it shows`, JSON.stringify(svg));
    }
    const shown = await page.locator("figure svg:visible").count();
    check(shown === 1, `vessel ${i}: one curve is shown`, `${shown}`);
    await looks(page, `vessel-${i}`);
  }
  await page.goto(`${vessels[0]}?span=three-days`);
  for (const summary of ["Note a hand reading", "Note what was done", "Change the facts", "What it is to become", "Vessel settings"]) await unfold(page, summary);
  await looks(page, "vessel-forms");
  const hand = await unfold(page, "Note a hand reading");
  await hand.getByLabel("Gravity as read").fill("sweet");
  await hand.getByRole("button", { name: "Note the reading" }).click();
  await page.getByRole("alert").waitFor();
  await looks(page, "vessel-refused");
  await page.goto(vessels[0]);
  await page.getByRole("link", { name: "correct" }).first().click();
  await page.waitForURL(/\/line\/\d+$/);
  await looks(page, "line");
  await page.goto(`${vessels[0]}/reckon/stabilise?despite=to+see+it&ph=3.4`);
  await page.locator("#ground summary").click();
  await looks(page, "vessel-reckoning");
  await page.goto(`${vessels[0]}/reckon/stabilise?despite=to+see+it&ph=12`);
  await looks(page, "vessel-reckoning-refused");
  for (const name of ["tasks", "reckon", "archive", "feeds", "notices", "notices/ways", "settings", "look-round", "nowhere"]) {
    await page.goto(`${base}/${name}`);
    await looks(page, name.replace("/", "-"));
  }

  // By keyboard alone: the first stop leads past the header, and where one is can be seen.
  await page.goto(`${base}/`);
  await page.keyboard.press("Tab");
  const first = await page.evaluate(() => document.activeElement.getAttribute("href"));
  check(first === "#main", "the first stop of the keyboard leads to the content", first ?? "none");
  await page.keyboard.press("Enter");
  check(await page.evaluate(() => document.activeElement.id === "main"), "and goes there");
});
