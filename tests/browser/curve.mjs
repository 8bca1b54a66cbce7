// The curve of a vessel, in the hand: read out by mouse, by finger and by keys; its marks say what they
// are; any part of it can be looked at closer; it stands still while it loads; light and dark. And all
// of that by links alone, where no script runs.
import { mkdirSync } from "node:fs";
import { join } from "node:path";
import { axeSource, base, check, signIn, withBrowser } from "./lib.mjs";

const shots = process.env.EBBMARK_SHOTS;
mkdirSync(shots, { recursive: true });
const TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"];

const words = (page) => page.locator("#curve .read-out").textContent();
const gravity = (text) => Number(/: ([01]\.\d{4})/.exec(text)?.[1]);
const stretch = (page) => page.locator("#curve").evaluate((e) => [Number(e.dataset.from), Number(e.dataset.to)]);
/** Where a part of the panel lies on the screen. */
const at = (page, across, down = 0.5) =>
  page.evaluate(
    ([across, down]) => {
      const svg = [...document.querySelectorAll("#curve svg")].find((s) => s.getBoundingClientRect().width > 0);
      svg.scrollIntoView({ block: "center" });
      const box = svg.getBoundingClientRect();
      const [left, right, top, bottom] = svg.dataset.panels.split(" ").map(Number);
      const unit = box.width / svg.viewBox.baseVal.width;
      return [box.left + (left + across * (right - left)) * unit, box.top + (top + down * (bottom - top)) * unit];
    },
    [across, down],
  );
const until = (page, what, is, ...args) =>
  page.waitForFunction(is, args, { timeout: 10_000 }).then(
    () => check(true, what),
    () => check(false, what),
  );

async function open(context) {
  const page = context.pages()[0] ?? (await context.newPage());
  await signIn(page);
  await page.goto(`${base}/vessel/1`);
  return page;
}

await withBrowser({ viewport: { width: 1400, height: 900 } }, async (context) => {
  await context.addInitScript(() => {
    window.shifted = 0;
    new PerformanceObserver((list) => {
      for (const entry of list.getEntries()) window.shifted += entry.value;
    }).observe({ type: "layout-shift", buffered: true });
  });
  const page = await open(context);
  const last = await words(page);
  check(/: [01]\.\d{4}.*°C/.test(last), "the last values stand below the curve", last);
  check((await page.locator("#curve svg:visible").count()) === 1, "one drawing is shown");

  // By mouse.
  const move = async (across) => {
    await page.mouse.move(...(await at(page, across)));
    await page.locator("#curve svg .pointed line").waitFor({ state: "attached" });
    await page.waitForTimeout(100);
    return words(page);
  };
  await move(0.5);
  const early = await move(0.05);
  const late = await move(0.6);
  check(gravity(early) > gravity(late) + 0.01, "a pointer reads the values under it", `${early} | ${late}`);
  check((await page.locator("#curve .pointed circle").count()) === 2, "and points at both lines");

  // By keys.
  const reader = page.getByRole("slider", { name: "Read the curve out" });
  await reader.focus();
  const spoken = () => reader.getAttribute("aria-valuetext");
  await page.keyboard.press("End");
  const end = await spoken();
  await page.keyboard.press("ArrowLeft");
  const before = await spoken();
  check(before !== end && before === (await words(page)), "arrow keys step through it", `${end} | ${before}`);
  await page.keyboard.press("Home");
  const first = await spoken();
  check(gravity(first) > 1.08, "Home is its beginning", first);
  for (let n = 0; n < 3; n++) await page.keyboard.press("PageUp");
  check(gravity(await spoken()) < gravity(first), "and a page further on it has fallen", await spoken());

  // Its marks.
  const fed = page.locator("#curve svg.wide a.mark", { hasText: "fed nutrient" });
  await fed.hover();
  check((await words(page)).includes("6.0 g yeast hulls"), "a mark says what, when and how much", await words(page));
  await page.mouse.move(5, 5);
  await fed.focus();
  check((await words(page)).includes("fed nutrient"), "to the keyboard too");
  await page.keyboard.press("Enter");
  await until(page, "and leads to its line in the log", () => /^#line-\d+$/.test(location.hash) && document.querySelector("li:target") !== null);

  // Closer, by dragging.
  await page.evaluate(() => (window.stays = true));
  const [from, to] = await stretch(page);
  await page.mouse.move(...(await at(page, 0.3)));
  await page.mouse.down();
  await page.mouse.move(...(await at(page, 0.4)), { steps: 3 });
  check((await page.locator("#curve .chosen-part").count()) === 1, "what is dragged over is shown");
  await page.mouse.move(...(await at(page, 0.5)), { steps: 3 });
  await page.mouse.up();
  await until(page, "a part that is dragged over is looked at closer", ([whole]) => {
    const { from, to } = document.getElementById("curve").dataset;
    return Math.abs((to - from) / whole - 0.2) < 0.01;
  }, to - from);
  check(await page.evaluate(() => window.stays === true), "without leaving the page");
  const close = await stretch(page);
  check(Math.abs((close[0] - from) / (to - from) - 0.3) < 0.01, "and it is that part", String(close));
  const read = await move(0.5);
  check(gravity(read) > 0.9, "which is read out like the whole", read);
  await page.screenshot({ path: join(shots, "curve-closer.png") });
  await page.reload();
  check(String(await stretch(page)) === String(close), "its address shows the same again");
  await page.mouse.move(...(await at(page, 0.5)));
  await page.mouse.down();
  await page.mouse.up();
  check(String(await stretch(page)) === String(close), "a click changes nothing");
  await page.evaluate(() => (window.stays = true));
  await page.goBack();
  await until(page, "back is back to the whole", ([whole]) => {
    const { from, to } = document.getElementById("curve")?.dataset ?? {};
    return Math.abs((to - from) / whole - 1) < 0.01;
  }, to - from);
  await page.goForward();
  await until(page, "and forth to the part", ([part]) => document.getElementById("curve")?.dataset.from === part, String(close[0]));

  await page.evaluate(() => (window.stays = true));
  await page.getByRole("link", { name: "Fall per day" }).click();
  await page.locator("#curve [aria-current]", { hasText: "Fall per day" }).waitFor();
  check(await page.evaluate(() => window.stays === true), "the links do not leave the page either");
  check((await page.evaluate(() => document.activeElement.textContent)) === "Fall per day", "and keep their focus");
  check(/a day \(/.test(await move(0.5)), "the fall is read out with its range", await words(page));
  await page.getByRole("link", { name: "All of it", exact: true }).click();
  await page.locator("#curve [aria-current]", { hasText: "All of it" }).waitFor();
  await page.getByRole("link", { name: "Gravity", exact: true }).click();
  await page.locator("#curve [aria-current]", { hasText: "Gravity" }).waitFor();

  // What the page does by itself while it loads moves nothing.
  await page.reload();
  await page.waitForTimeout(500);
  await move(0.5);
  const shifted = await page.evaluate(() => window.shifted);
  check(shifted === 0, "nothing shifts while it loads or is read", String(shifted));

  // Contrast as the browser draws it (WCAG 2.1, relative luminance).
  for (const scheme of ["light", "dark"]) {
    await page.emulateMedia({ colorScheme: scheme });
    const contrasts = await page.evaluate(() => {
      const parts = (text) => text.match(/[\d.]+/g).slice(0, 3).map(Number);
      const luminance = (text) => {
        const [r, g, b] = parts(text).map((c) => (c / 255 <= 0.03928 ? c / 255 / 12.92 : ((c / 255 + 0.055) / 1.055) ** 2.4));
        return 0.2126 * r + 0.7152 * g + 0.0722 * b;
      };
      const paper = luminance(getComputedStyle(document.body).backgroundColor);
      const against = (text) => (Math.max(luminance(text), paper) + 0.05) / (Math.min(luminance(text), paper) + 0.05);
      const of = (name, property) => against(getComputedStyle(document.querySelector(`#curve ${name}`))[property]);
      return {
        lines: [".s-gravity", ".s-temperature", ".s-mark"].map((n) => of(n, "stroke")),
        words: [".f-words", ".f-mark-words"].map((n) => of(n, "fill")),
      };
    });
    check(Math.min(...contrasts.lines) >= 3 && Math.min(...contrasts.words) >= 4.5, `${scheme}: lines and words stand out`, JSON.stringify(contrasts));
    await page.evaluate(axeSource);
    const { violations } = await page.evaluate((tags) => axe.run("#curve", { runOnly: tags }), TAGS);
    check(violations.length === 0, `${scheme}: no barriers`, violations.map((v) => `${v.id}: ${v.nodes[0].html.slice(0, 200)}`).join("; "));
    await page.screenshot({ path: join(shots, `curve-${scheme}.png`) });
  }

  // On paper it is light, whatever the screen.
  await page.emulateMedia({ media: "print", colorScheme: "dark" });
  const print = await page.evaluate(() => {
    const of = (name, property) => getComputedStyle(document.querySelector(name))[property];
    return [of("body", "backgroundColor"), of("#curve .s-gravity", "stroke"), of("#curve .looks", "display"), of("#curve svg.wide", "display")];
  });
  check(print.join() === "rgb(255, 255, 255),rgb(122, 65, 8),none,block", "it prints light and whole", print.join());
  await page.emulateMedia({ media: "screen", colorScheme: "light" });

  // Beside the page, its picture.
  const picture = page.getByRole("link", { name: "Curve as picture" });
  const address = new URL(await picture.getAttribute("href"), base).href;
  const size = await page.evaluate(async (address) => {
    const image = new Image();
    image.src = address;
    await image.decode();
    return [image.naturalWidth, image.naturalHeight];
  }, address);
  check(String(size) === "1280,1000", "the picture is one", String(size));
});

await withBrowser({ viewport: { width: 390, height: 844 }, hasTouch: true, isMobile: true, deviceScaleFactor: 2 }, async (context) => {
  const page = await open(context);
  check((await page.locator("#curve svg.tall:visible").count()) === 1, "a phone has the tall drawing");
  await page.touchscreen.tap(...(await at(page, 0.05)));
  await page.locator("#curve .pointed line").waitFor({ state: "attached" });
  const early = await words(page);
  await page.touchscreen.tap(...(await at(page, 0.6)));
  await page.waitForTimeout(200);
  const late = await words(page);
  check(gravity(early) > gravity(late) + 0.01, "a finger reads the values under it", `${early} | ${late}`);

  const fed = page.locator("#curve svg.tall a.mark", { hasText: "fed nutrient" });
  const box = await fed.boundingBox();
  check(box.width >= 24 && box.height >= 24, "a mark is large enough for a finger", JSON.stringify(box));
  await fed.tap();
  check((await words(page)).includes("6.0 g yeast hulls"), "a tap on a mark explains it", await words(page));
  check((await page.evaluate(() => location.hash)) === "", "and leads nowhere yet");
  await fed.tap();
  await until(page, "the second tap leads to the log", () => /^#line-\d+$/.test(location.hash));

  // Two fingers, as the browser hears of them.
  const [from, to] = await stretch(page);
  const touch = await context.newCDPSession(page);
  const fingers = async (type, ...across) => {
    const places = [];
    for (const [id, part] of across.entries()) {
      const [x, y] = await at(page, part);
      places.push({ x, y, id });
    }
    await touch.send("Input.dispatchTouchEvent", { type, touchPoints: places });
  };
  await at(page, 0.5);
  await fingers("touchStart", 0.4);
  await fingers("touchStart", 0.4, 0.6);
  for (const [a, b] of [[0.35, 0.65], [0.3, 0.7]]) await fingers("touchMove", a, b);
  await fingers("touchEnd");
  await until(page, "two fingers spread the curve", ([whole]) => {
    const { from, to } = document.getElementById("curve").dataset;
    return Math.abs((to - from) / whole - 0.5) < 0.05;
  }, to - from);
  const overflow = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
  check(overflow <= 0, "nothing hangs out of the small screen", String(overflow));
  await page.screenshot({ path: join(shots, "curve-phone.png") });
});

await withBrowser({ javaScriptEnabled: false, viewport: { width: 820, height: 900 } }, async (context) => {
  const page = await open(context);
  check(/: [01]\.\d{4}/.test(await words(page)), "without scripts the last values stand there");
  const closer = page.getByRole("link", { name: "Closer" });
  await closer.click();
  await page.waitForURL(/from=.*&to=/);
  const shown = async () => {
    const text = await page.locator("#curve").getAttribute("data-read-out");
    const query = new URLSearchParams(text.split("?")[1]);
    return new Date(query.get("to")) - new Date(query.get("from"));
  };
  const one = await shown();
  await closer.click();
  await page.waitForURL((url) => new Date(url.searchParams.get("to")) - new Date(url.searchParams.get("from")) < one);
  check(Math.abs((await shown()) / one - 0.5) < 0.01, "links look closer");
  await page.getByRole("link", { name: "Fall per day" }).click();
  await page.waitForURL(/view=fall/);
  check((await page.locator("#curve figcaption").textContent()).includes("half a day to either side"), "the fall says how it is told");
  await page.goto(`${base}/vessel/1`);
  await page.locator("#curve svg.wide a.mark").first().click();
  await page.waitForURL(/#line-\d+$/);
  check((await page.locator("li:target").count()) === 1, "a mark leads to its line");
});
