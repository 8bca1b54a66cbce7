// What a maker does every day, as somebody does it who opened the book for the first time: by following
// what the page says, on a phone. Each touch is counted, typing is not. What was counted goes to
// $EBBMARK_COUNTED as JSON.
import { writeFileSync } from "node:fs";
import { base, check, signIn, withBrowser } from "./lib.mjs";

const MOST = 5;
const counted = [];

await withBrowser({ viewport: { width: 390, height: 844 }, hasTouch: true }, async (context) => {
  const page = context.pages()[0] ?? (await context.newPage());
  await signIn(page);
  let steps;

  const tap = async (target, words) => {
    await target.tap();
    steps.push(words);
  };
  /** A field is touched, then typed into. */
  const type = async (scope, label, text, words = label) => {
    const field = scope.getByLabel(label).first();
    await tap(field, words);
    await field.fill(text);
  };
  /** A list is opened by one touch, chosen from by another. */
  const choose = async (scope, label, option) => {
    await scope.getByLabel(label).first().selectOption(option);
    steps.push(label, option.label ?? "the one");
  };
  const fold = async (summary) => {
    const details = page.locator(`xpath=//details[summary[normalize-space(.)=${JSON.stringify(summary)}]]`);
    await tap(details.locator("xpath=./summary"), summary);
    return details;
  };
  const vessel = async (name) => {
    await tap(page.locator("a.vessel-name", { hasText: name }), "the vessel");
    await page.waitForURL(/\/vessel\/\d+/);
  };
  const link = async (name, words = name) => tap(page.getByRole("link", { name, exact: typeof name === "string" }).first(), words);
  const button = async (scope, name, words = name) => tap(scope.getByRole("button", { name, exact: true }).first(), words);
  const said = (words) => page.getByRole("status").filter({ hasText: words }).waitFor();

  /** From the cellar view on. */
  const task = async (name, doing) => {
    await page.goto(`${base}/`);
    steps = [];
    await doing();
    counted.push({ task: name, taps: steps.length, steps });
    check(steps.length <= MOST, `${name}: at most ${MOST} touches`, steps.join(" · "));
  };

  await task("See whether all is well, what is to be done, what may be done", async () => {
    const glance = await page.locator(".glance").innerText();
    check(/well|want/.test(glance), "the cellar says how it is", glance);
  });
  await task("See how one mead goes and why", async () => {
    await vessel("Window demijohn");
    check(await page.locator("figure svg:visible").count() === 1, "its curve is there");
    check(await page.getByText("What would change it").first().isVisible(), "and why");
  });
  await task("Note a hand reading", async () => {
    await vessel("Loft carboy");
    const form = await fold("Note a hand reading");
    await type(form, "Gravity as read", "1,0400");
    await type(form, "Temperature of the sample", "19");
    await button(form, "Note the reading");
    await said("Noted: hand reading");
  });
  await task("Note what was done, say a rousing", async () => {
    await vessel("Loft carboy");
    const form = await fold("Note what was done");
    await choose(form, "What", { label: "roused" });
    await button(form, "Note it");
    await said("Noted");
  });
  await task("Ask for a dose: sulphite and sorbate for this vessel", async () => {
    await vessel("North cask");
    await link("Stabilising");
    await page.locator(".said, .shut").first().waitFor();
    check(/reckon\/stabilise/.test(page.url()), "the reckoning is filled from the record", page.url());
  });
  await task("Add a vessel", async () => {
    const form = await fold("Add a vessel");
    await type(form, "Name", "Attic jar");
    await button(form, "Add the vessel");
    await page.waitForURL(/\/vessel\/\d+$/);
  });
  await task("Split some of a mead into an empty vessel", async () => {
    await vessel("Loft carboy");
    const form = await fold("Split some off into another vessel");
    // The empty vessel is chosen already.
    await type(form, /^How much/, "2", "how much");
    await button(form, "Split it off");
    await said("Split off");
  });
  // Another empty one, for the next task.
  await page.goto(`${base}/`);
  steps = [];
  const another = await fold("Add a vessel");
  await type(another, "Name", "Cellar jar");
  await button(another, "Add the vessel");
  await page.waitForURL(/\/vessel\/\d+$/);
  await task("Start a mead in an empty vessel", async () => {
    await vessel("Cellar jar");
    await type(page, "Name of the mead", "Sloe, invented");
    await type(page, /^Gravity it began at/, "1,098", "Gravity it began at");
    await button(page, "Start the mead");
    await said("Mead saved.");
  });
  await task("Do what is due, and have it written in the book", async () => {
    await tap(page.locator(".task a").first(), "what is due");
    await button(page, /^Done/, "Done");
    await said("Done, and written in the book.");
  });
  await task("See what is to be done in the next days", async () => {
    await link("To do");
    await page.waitForURL(/\/tasks/);
  });
  await task("Answer a notice", async () => {
    await link("Notices");
    await page.waitForURL(/\/notices$/);
    await button(page, /^Seen/, "Seen");
    await said("Noted.");
  });
  await task("Have no mail at night", async () => {
    await link("Notices");
    await link("what is told how");
    for (const [label, time] of [["From", "22:00"], ["Until", "06:30"]]) await type(page, label, time);
    await button(page, "Save");
    await said("Saved.");
  });
  await task("Print the card of a mead", async () => {
    await vessel("Window demijohn");
    await link("All of it on one page", "its card");
    await page.waitForURL(/\/mead\/\d+/);
    check((await page.locator("main").innerText()).length > 300, "the card is there");
  });
  await task("Lay two meads over one another", async () => {
    await link("Archive");
    await page.waitForURL(/\/archive/);
    for (const n of [0, 1]) await tap(page.locator("label.tick").nth(n), "a mead");
    await button(page, "Compare");
    await page.waitForURL(/\/compare/);
  });
});

writeFileSync(process.env.EBBMARK_COUNTED, JSON.stringify(counted));
