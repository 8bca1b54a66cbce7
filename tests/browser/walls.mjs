// A cellar has thick walls: what is written while there is no connection stays in the page, is sent
// when it is back, and never twice; two phones at once both write.
import { base, check, signIn, unfold, withBrowser } from "./lib.mjs";

await withBrowser({ viewport: { width: 390, height: 844 }, hasTouch: true }, async (context) => {
  const page = context.pages()[0] ?? (await context.newPage());
  await signIn(page);
  let fold = await unfold(page, "Add a vessel");
  await fold.getByLabel("Name").fill("Cask");
  await fold.getByRole("button", { name: "Add the vessel" }).tap();
  await page.waitForURL(/\/vessel\/\d+$/);
  const vessel = page.url();
  const write = async (on, words) => {
    const fold = await unfold(on, "Note what was done");
    await fold.locator("[name=what]").selectOption("remark");
    await fold.locator("[name=note]").fill(words);
    return fold.getByRole("button", { name: "Note it" });
  };
  const lines = async (words) => {
    const log = await context.newPage();
    await log.goto(vessel);
    const n = await log.locator("ol.lines[reversed] li", { hasText: words }).count();
    await log.close();
    return n;
  };
  const held = page.locator("p.held");
  const noted = (on, words) => on.getByRole("status").filter({ hasText: `Noted: remark: ${words}` }).waitFor();

  // Two taps as fast as a thumb can.
  let button = await write(page, "tapped twice");
  await button.evaluate((e) => {
    e.click();
    e.click();
  });
  await noted(page, "tapped twice");
  check((await lines("tapped twice")) === 1, "two taps are one line");

  // No connection.
  button = await write(page, "behind the wall");
  await context.setOffline(true);
  await button.tap();
  await held.waitFor();
  check((await held.textContent()).includes("kept here"), "the page says that it keeps what was written");
  check((await page.locator("form[inert] [name=note]").inputValue()) === "behind the wall", "and shows it");
  const asked = [];
  page.on("dialog", (dialog) => {
    asked.push(dialog.type());
    dialog.dismiss();
  });
  await page.evaluate(() => location.assign("/")).catch(() => {});
  await page.waitForTimeout(500);
  check(asked.includes("beforeunload"), "it does not let itself be closed unasked", asked.join());
  await context.setOffline(false);
  await noted(page, "behind the wall");
  check((await lines("behind the wall")) === 1, "sent once the connection is back, once");

  // It came through, its answer did not.
  button = await write(page, "half way");
  let cut = 0;
  await page.route(/\/deed$/, async (route) => {
    if (cut++ > 0) return route.continue();
    await route.fetch({ maxRedirects: 0 });
    await route.abort("connectionreset");
  });
  await button.tap();
  await held.waitFor();
  check((await lines("half way")) === 1, "it is written though no answer came");
  await noted(page, "half way");
  await page.unroute(/\/deed$/);
  check(cut > 1, "it was sent again");
  check((await lines("half way")) === 1, "and is one line all the same");

  // Signed out meanwhile.
  button = await write(page, "signed out");
  const beside = await context.newPage();
  await beside.goto(`${base}/access`);
  await beside.getByRole("button", { name: "Sign out" }).click();
  await beside.waitForURL(/\/enter/);
  await button.tap();
  await held.filter({ hasText: "signed out" }).waitFor();
  await signIn(beside);
  await noted(page, "signed out");
  check((await lines("signed out")) === 1, "what was written outlives a session");

  // Two phones at once.
  await beside.goto(vessel);
  const [one, two] = [await write(page, "first phone"), await write(beside, "second phone")];
  await Promise.all([one.tap(), two.click()]);
  await Promise.all([noted(page, "first phone"), noted(beside, "second phone")]);
  check((await lines("first phone")) === 1 && (await lines("second phone")) === 1, "two phones at once both write");

  // What is refused comes back to be put right.
  fold = await unfold(page, "Note a hand reading");
  await fold.getByLabel("Gravity as read").fill("7");
  await fold.getByLabel("Temperature of the sample").fill("20");
  await fold.getByRole("button", { name: "Note the reading" }).tap();
  await page.getByRole("alert").filter({ hasText: "outside" }).waitFor();
  check((await page.getByLabel("Gravity as read").inputValue()) === "7", "what was refused stands in its field");
});
