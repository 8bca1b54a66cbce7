// A mead on a phone: split in two, one part moved, and both poured together again; the family is
// drawn and told, nothing runs over the edge, and the label can be printed.
import { axeSource, base, check, daysAgo, signIn, unfold, withBrowser } from "./lib.mjs";
import { mkdirSync } from "node:fs";
import { join } from "node:path";

const shots = process.env.EBBMARK_SHOTS;
const phone = { width: 390, height: 844 };

async function addVessel(page, name) {
  await page.goto(base);
  const fold = await unfold(page, "Add a vessel");
  await fold.getByLabel("Name").fill(name);
  await fold.getByLabel("Empty it weighs").fill("3,2 kg");
  await fold.getByLabel("Where it stands").fill("by the stairs");
  await fold.getByRole("button", { name: "Add the vessel" }).click();
  await page.waitForURL(/\/vessel\/\d+$/);
  return page.url();
}

async function fits(page, what) {
  const over = await page.evaluate(() => document.documentElement.scrollWidth - window.innerWidth);
  check(over <= 0, `${what} fits a phone`, `${over} px over`);
  await page.evaluate(axeSource);
  const tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"];
  const found = await page.evaluate((runOnly) => window.axe.run({ runOnly }), tags);
  const bars = found.violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.target).join(" ")}`);
  check(bars.length === 0, `${what} bars nobody`, bars.join("; "));
  mkdirSync(shots, { recursive: true });
  await page.screenshot({ path: join(shots, `pouring-${what.replaceAll(" ", "-")}.png`), fullPage: true });
}

/** Tall enough for a thumb. */
async function thumb(button, what) {
  const box = await button.boundingBox();
  check(box.height >= 44, `${what} is tall enough for a thumb`, `${box.height} px`);
}

// axe runs in the page: the browser would not let it past the policy the pages are sent with.
await withBrowser({ viewport: phone, bypassCSP: true }, async (context) => {
  const page = context.pages()[0] ?? (await context.newPage());
  await signIn(page);
  const keg = await addVessel(page, "Keg");
  const jar = await addVessel(page, "Jar");
  const cask = await addVessel(page, "Cask");
  let fold = await unfold(page, "Start a mead");
  await fold.getByLabel("Name of the mead").fill("Lime blossom");
  await fold.getByLabel("Yeast pitched").fill(daysAgo(30));
  await fold.getByLabel("Gravity it began at").fill("1.100");
  await fold.getByLabel("Volume").fill("20");
  await fold.getByRole("button", { name: "Start the mead" }).click();
  await page.getByRole("status").filter({ hasText: "Mead saved." }).waitFor();
  fold = await unfold(page, "Note a hand reading");
  await fold.getByLabel("Gravity as read").fill("1.010");
  await fold.getByLabel("Temperature of the sample").fill("20");
  await fold.getByLabel("When").fill(daysAgo(2));
  await fold.getByRole("button", { name: "Note the reading" }).click();
  await page.getByRole("status").filter({ hasText: "Noted: hand reading" }).waitFor();

  // Split in two: only the vessel is chosen, the rest is filled in.
  fold = await unfold(page, "Split some off into another vessel");
  check((await fold.textContent()).includes("12.06 % vol"), "its strength is shown", await fold.textContent());
  check((await fold.getByLabel("How much").inputValue()) === "9.9", "half of it is filled in");
  await fold.getByLabel("Into").selectOption({ label: "Jar" });
  await fold.getByLabel("Name of the part").fill("Lime on plums");
  let button = fold.getByRole("button", { name: "Split it off" });
  await thumb(button, "splitting");
  await button.click();
  await page.getByRole("status").filter({ hasText: "Split off." }).waitFor();
  check(page.url().startsWith(jar), "it leads to the part");
  const family = page.locator("section", { has: page.locator("#family") });
  const told = await family.locator("ul").textContent();
  check(told.includes("9.9 L of Lime blossom"), "the family is told", told);
  check((await family.locator("svg rect").count()) === 2, "and drawn");
  await fits(page, "a family of two");

  // The rest goes into the keg with two taps.
  await page.goto(cask);
  fold = await unfold(page, "Move it to another vessel");
  button = fold.getByRole("button", { name: "Move it" });
  await thumb(button, "moving");
  await fits(page, "moving");
  await button.click();
  await page.getByRole("status").filter({ hasText: "Moved." }).waitFor();
  check(page.url().startsWith(keg), "into the first empty vessel");
  check((await page.locator("h1").textContent()).includes("Lime blossom"), "it is there");
  await page.goto(cask);
  check((await page.textContent("main")).includes("Nothing is in it."), "and no longer where it was");

  // All of both into the cask.
  await page.goto(keg);
  await page.getByRole("link", { name: "Blend it with others" }).click();
  const groups = page.locator("fieldset");
  check((await groups.count()) === 2, "both meads are offered");
  for (const n of [0, 1]) await groups.nth(n).getByLabel("Then").selectOption("yes");
  await page.getByLabel("Into").selectOption({ label: "Cask" });
  await page.getByLabel("Name of the mead").fill("Both");
  await page.getByRole("button", { name: "Show what it becomes" }).click();
  const becomes = page.locator("section", { has: page.locator("#becomes") }).last();
  const words = await becomes.textContent();
  check(words.includes("19.8 L at 1.0100, 12.06 % vol."), "what it becomes is shown first", words);
  await fits(page, "blending");
  await page.getByRole("button", { name: "Pour them together" }).click();
  await page.getByRole("status").filter({ hasText: "Poured together." }).waitFor();
  check(page.url().startsWith(cask), "it is in the cask");
  check((await family.locator("svg rect").count()) === 3, "three meads are drawn");
  await fits(page, "a family of three");
  await page.goto(keg);
  check((await page.textContent("main")).includes("Nothing is in it."), "the keg is empty");

  await page.goto(cask);
  await page.getByRole("link", { name: "A label with its address" }).click();
  check((await page.locator("svg.code").count()) === 1, "the label has its code");
  check((await page.textContent(".address")) === cask, "and the address", await page.textContent(".address"));
  await fits(page, "the label");
  await page.emulateMedia({ media: "print" });
  check(!(await page.locator(".top").isVisible()), "printed it is the label alone");
  await page.screenshot({ path: join(shots, "pouring-printed.png") });
});
