// Every page once in a browser that would run what was typed, if any of it were markup: the policy of the
// pages, which forbids it too, is put aside.
import { base, check, signIn, withBrowser } from "./lib.mjs";

const paths = JSON.parse(process.env.EBBMARK_PATHS);

await withBrowser({ bypassCSP: true }, async (context) => {
  const fired = [];
  await context.exposeFunction("zq", () => fired.push("zq"));
  const page = context.pages()[0] ?? (await context.newPage());
  page.on("dialog", (dialog) => {
    fired.push(dialog.message());
    dialog.dismiss();
  });
  // That it would be heard of.
  await signIn(page);
  await page.evaluate(() => (document.body.innerHTML += "<img src=x onerror=zq()>"));
  await page.waitForFunction(() => document.querySelector("img[src=x]").complete);
  while (fired.length === 0) await page.waitForTimeout(20);
  fired.length = 0;
  for (const path of paths) {
    await page.goto(base + path, { waitUntil: "load" });
    const strange = await page.evaluate(() => document.querySelectorAll("zq-tag, img[src=x], [onerror], [onload]").length);
    check(strange === 0, `${path}: no element of what was typed`, `${strange}`);
    check(fired.length === 0, `${path}: nothing of it ran`);
  }
});
