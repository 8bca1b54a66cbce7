// The card of a mead on a phone and on a wide screen, on paper, as a file that stands alone, and
// made again. Pictures and printed sheets go to $EBBMARK_SHOTS.
import { mkdirSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { pathToFileURL } from "node:url";
import { axeSource, base, check, signIn, unfold, withBrowser } from "./lib.mjs";

const shots = process.env.EBBMARK_SHOTS;
mkdirSync(shots, { recursive: true });
const WIDTHS = [390, 1400];
const TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"];

async function looks(page, name) {
  for (const scheme of ["light", "dark"]) {
    await page.emulateMedia({ colorScheme: scheme });
    for (const width of WIDTHS) {
      await page.setViewportSize({ width, height: 900 });
      const wide = await page.evaluate(() => document.documentElement.scrollWidth);
      check(wide <= width, `${name} at ${width}: no scrolling sideways`, `${wide} px`);
      await page.screenshot({ path: join(shots, `card-${name}-${width}-${scheme}.png`), fullPage: true });
      await page.evaluate(axeSource);
      const { violations } = await page.evaluate((tags) => axe.run({ runOnly: tags }), TAGS);
      const found = violations.map((v) => `${v.id} (${v.nodes.map((n) => n.html.slice(0, 200)).slice(0, 3).join(" | ")})`);
      check(found.length === 0, `${name} at ${width}, ${scheme}: no barriers`, found.join("; "));
    }
  }
}

async function print(page, name) {
  // Who reads in the dark prints on white all the same.
  await page.emulateMedia({ colorScheme: "dark" });
  for (const format of ["A4", "Letter"]) {
    await page.pdf({ path: join(shots, `card-${name}-${format}.pdf`), format, printBackground: false });
  }
  await page.emulateMedia({ colorScheme: "light" });
}

async function standsAlone(page, number) {
  const answer = await page.request.get(`${base}/mead/${number}/card.html`);
  const kept = answer.headers()["content-disposition"] ?? "";
  check(kept.includes(`mead-${number}-card.html`), "the file is one to keep", kept);
  const path = join(shots, `mead-${number}-card.html`);
  writeFileSync(path, await answer.body());
  const alone = await page.context().newPage();
  const asked = [];
  alone.on("request", (request) => asked.push(request.url()));
  await alone.goto(pathToFileURL(path).href);
  const title = await alone.getByRole("heading", { level: 1 }).textContent();
  check(title.includes("Linden on figs"), "the file shows the card", title);
  check(await alone.locator("figure svg:visible").count() === 1, "the file has its curve");
  const columns = await alone.locator(".figures").evaluate((e) => getComputedStyle(e).display);
  check(columns === "grid", "the file has its style", columns);
  check(asked.length === 1, "the file asks for nothing else", asked.join(" "));
  check(await alone.locator("a").count() === 0, "the file leads nowhere");
  await alone.close();
}

async function again(page) {
  await page.goto(`${base}/mead/2`);
  await page.getByRole("link", { name: "Make it again" }).click();
  await page.waitForURL(/\/again$/);
  await looks(page, "again");
  await page.getByLabel("Into").selectOption({ label: "Glass jar" });
  await page.getByLabel("Volume of must").fill("none");
  await page.getByRole("button", { name: "Start the mead" }).click();
  await page.getByRole("alert").waitFor();
  await page.getByLabel("Volume of must").fill("16 L");
  await page.getByLabel("Name of the mead").fill("Linden on figs, the second");
  await page.getByRole("button", { name: "Start the mead" }).click();
  await page.waitForURL(/\/vessel\/2\?/);
  const said = await page.locator("main").textContent();
  check(said.includes("Made again from"), "it says what it was made from");
  check(/[\d.]+ kg linden honey and [\d.]+ kg water with the yeast/.test(said), "what is to go in is planned");
  await unfold(page, "Change the facts of this mead");
  await unfold(page, "What is to go in");
  const put = await unfold(page, "Put in what was planned with the yeast");
  await looks(page, "goods");
  // One tap: the masses are filled in.
  await put.getByRole("button", { name: "Note what went in" }).click();
  await page.waitForURL(/noted=/);
  const noted = await page.getByRole("status").filter({ hasText: "Noted" }).textContent();
  check(/^Noted: pitched/.test(noted) && noted.includes("linden"), "what went in is noted with a tap", noted);
  const next = await page.locator("summary", { hasText: "Put in what was planned" }).allTextContents();
  check(!next.some((s) => s.includes("with the yeast")) && next.some((s) => s.includes("for the yeast")), "the next step is offered", next.join("; "));
}

await withBrowser({ viewport: { width: 390, height: 844 } }, async (context) => {
  const page = context.pages()[0] ?? (await context.newPage());
  await signIn(page);
  // From the vessel it was in to its card.
  await page.goto(`${base}/vessel/2`);
  await page.locator("#earlier summary").click();
  await page.getByRole("link", { name: "Linden on figs" }).click();
  await page.waitForURL(/\/mead\/2$/);
  const card = page.locator("article.card");
  const said = (await card.textContent()).replace(/\s+/g, " ");
  for (const part of ["Linden on figs", "finished", "Contains sulphites", "pushed down × 9", "from Linden, plain", "crowns"]) {
    check(said.includes(part), `the card says "${part}"`, said.slice(0, 300));
  }
  await looks(page, "figs");
  await print(page, "figs");
  await standsAlone(page, 2);
  // To its parent, which is still in its vessel.
  await card.getByRole("link", { name: "Linden, plain" }).click();
  await page.waitForURL(/\/mead\/1$/);
  check((await card.textContent()).includes("so far"), "a running mead has a card too");
  await looks(page, "plain");
  await print(page, "plain");
  await page.goto(`${base}/mead/3`);
  await looks(page, "crowded");
  await print(page, "crowded");
  await page.goto(`${base}/mead/4`);
  await print(page, "part");
  await page.goto(`${base}/prices`);
  await looks(page, "prices");
  await again(page);
});
