// The mail as HTML, light and dark, on a phone and beside a list of mails, with pictures and without:
// nothing hangs over the side, nothing is fetched, axe finds no barrier. Pictures go to $EBBMARK_SHOTS.
import { mkdirSync } from "node:fs";
import { join } from "node:path";
import { pathToFileURL } from "node:url";
import { axeSource, check, withBrowser } from "./lib.mjs";

const shots = process.env.EBBMARK_SHOTS;
mkdirSync(shots, { recursive: true });
const TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"];

await withBrowser({ viewport: { width: 700, height: 900 } }, async (context) => {
  const page = context.pages()[0] ?? (await context.newPage());
  const asked = [];
  page.on("request", (request) => asked.push(request.url()));
  let pictures = true;
  // What stands in the mail as cid: is a file beside it here.
  await page.route("**/*.png", (route) => (pictures ? route.continue() : route.abort("connectionrefused")));
  const address = pathToFileURL(process.env.EBBMARK_MAIL).href;
  for (pictures of [true, false]) {
    for (const colorScheme of ["light", "dark"]) {
      for (const width of [390, 700]) {
        const name = `${process.env.EBBMARK_NAME}-${pictures ? "" : "no-pictures-"}${width}-${colorScheme}`;
        await page.emulateMedia({ colorScheme });
        await page.setViewportSize({ width, height: 900 });
        await page.goto(address);
        const wide = await page.evaluate(() => document.documentElement.scrollWidth);
        check(wide <= width, `${name}: no scrolling sideways`, `${wide} px`);
        const drawn = await page.locator("img").evaluateAll((all) => all.map((img) => [img.naturalWidth, img.alt]));
        check(drawn.length > 0, `${name}: a picture`);
        for (const [natural, alt] of drawn) {
          check(natural > 0 === pictures, `${name}: the picture is shown or not`, `${natural}`);
          check(alt.length > 20, `${name}: and said in words`, alt);
        }
        await page.evaluate(axeSource);
        const { violations } = await page.evaluate((tags) => axe.run({ runOnly: tags }), TAGS);
        const found = violations.map((v) => `${v.id} (${v.nodes.map((n) => n.html.slice(0, 200)).join(" | ")})`);
        check(found.length === 0, `${name}: no barriers`, found.join("; "));
        await page.screenshot({ path: join(shots, `${name}.png`), fullPage: true });
      }
    }
  }
  const outside = asked.filter((url) => !url.startsWith("file:"));
  check(outside.length === 0, "nothing is fetched", outside.join(" "));
});
