// Answering a notice by the link in its mail, signed in nowhere: one question, one button; and nothing bars
// anybody. Pictures go to $EBBMARK_SHOTS.
import { mkdirSync } from "node:fs";
import { join } from "node:path";
import { axeSource, base, check, withBrowser } from "./lib.mjs";

const shots = process.env.EBBMARK_SHOTS;
mkdirSync(shots, { recursive: true });
const TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"];

async function looks(page, name) {
  for (const scheme of ["light", "dark"]) {
    await page.emulateMedia({ colorScheme: scheme });
    for (const width of [320, 390, 820, 1400]) {
      await page.setViewportSize({ width, height: 800 });
      const wide = await page.evaluate(() => document.documentElement.scrollWidth);
      check(wide <= width, `${name} at ${width}: no scrolling sideways`, `${wide} px`);
      await page.screenshot({ path: join(shots, `${name}-${width}-${scheme}.png`) });
      await page.evaluate(axeSource);
      const { violations } = await page.evaluate((tags) => axe.run({ runOnly: tags }), TAGS);
      check(violations.length === 0, `${name} at ${width}, ${scheme}: no barriers`, violations.map((v) => v.id).join(", "));
    }
  }
}

await withBrowser({}, async (context) => {
  const page = context.pages()[0] ?? (await context.newPage());
  await page.goto(base + process.env.EBBMARK_LINK);
  check((await page.getByRole("button").count()) === 1, "one button");
  await looks(page, "answer");
  await page.setViewportSize({ width: 390, height: 844 });
  await page.getByRole("button").click();
  await page.getByRole("heading", { name: "Noted" }).waitFor();
  await looks(page, "answered");
});
