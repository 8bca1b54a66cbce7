// Pictures of the pages, from the invented cellar, into $EBBMARK_SHOTS; and the words that make each
// page up (headings, labels, buttons), as JSON into $EBBMARK_OUTLINE: by them one sees whether the
// pictures kept are of the pages as they are.
import { mkdirSync, readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { base, check, signIn, withBrowser } from "./lib.mjs";

const shots = process.env.EBBMARK_SHOTS;
const wanted = JSON.parse(readFileSync(new URL("./pictures.json", import.meta.url)));
mkdirSync(shots, { recursive: true });

await withBrowser({ colorScheme: "light" }, async (context) => {
  const page = context.pages()[0] ?? (await context.newPage());
  await signIn(page);
  const vessels = {};
  for (const link of await page.locator("a.vessel-name").all()) {
    vessels[await link.locator("span").textContent()] = await link.getAttribute("href");
  }
  const outlines = {};
  for (const { file, address, vessel, more = "", width, height } of wanted) {
    await page.setViewportSize({ width, height });
    await page.goto(base + (address ?? vessels[vessel] + more));
    await page.screenshot({ path: join(shots, `${file}.png`) });
    // What the pages are made of, not what happens to be told on them in which order.
    const words = page.locator("h1, h2, dt, thead th, legend, summary, button, .field > span, .field > label");
    outlines[file] = (await words.allTextContents()).map((w) => w.replace(/\d+/g, "0").replace(/\s+/g, " ").trim()).filter(Boolean);
    check(outlines[file].length > 0, `${file} has words`);
  }
  writeFileSync(process.env.EBBMARK_OUTLINE, JSON.stringify(outlines, null, 1) + "\n");
});
