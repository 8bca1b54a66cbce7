// A maker's way through the book, with scripts or without: sign in, add a vessel, start a mead,
// claim the float's topic, note a hand reading and a deed. With scripts, another page that stays
// open follows all of it without being loaded again.
import { base, check, daysAgo, signIn, unfold, withBrowser } from "./lib.mjs";

const scripts = process.env.EBBMARK_SCRIPTS === "on";

async function handReading(page, gravity, days) {
  const form = await unfold(page, "Note a hand reading");
  await form.getByLabel("Gravity as read").fill(gravity);
  await form.getByLabel("Temperature of the sample").fill("20");
  await form.getByLabel("When").fill(daysAgo(days));
  await form.getByRole("button", { name: "Note the reading" }).click();
  await page.getByRole("status").filter({ hasText: "Noted: hand reading" }).waitFor();
}

await withBrowser({ javaScriptEnabled: scripts, viewport: { width: 390, height: 844 } }, async (context) => {
  const page = context.pages()[0] ?? (await context.newPage());
  await page.goto(`${base}/`);
  check(page.url().startsWith(`${base}/enter`), "who is not signed in is asked to", page.url());

  await page.getByLabel("Password").fill("not the password");
  await page.getByRole("button", { name: "Sign in" }).click();
  await page.getByRole("alert").waitFor();
  check((await page.getByRole("alert").textContent()).includes("not the password"), "a wrong password is said to be wrong");
  await signIn(page);
  check((await page.locator("h2").first().textContent()).includes("empty"), "the empty book says so");

  let fold = await unfold(page, "Add a vessel");
  await fold.getByRole("button", { name: "Add the vessel" }).click();
  await page.getByRole("alert").waitFor();
  check((await page.getByRole("alert").textContent()).includes("Name"), "a form without its name comes back with the reason");
  fold = await unfold(page, "Add a vessel");
  await fold.getByLabel("Name").fill("Demijohn <by> the stairs");
  await fold.getByLabel("Holds").fill("12,5");
  await fold.getByRole("button", { name: "Add the vessel" }).click();
  await page.waitForURL(/\/vessel\/\d+$/);
  const vessel = page.url();
  check((await page.locator("h1").textContent()).includes("Demijohn <by> the stairs"), "the vessel has its page");

  fold = await unfold(page, "Start a mead");
  await fold.getByLabel("Name of the mead").fill("Lime blossom");
  await fold.getByLabel("Yeast pitched").fill(daysAgo(30));
  await fold.getByLabel("Gravity it began at").fill("1.094");
  await fold.getByLabel("Gravity you expect").fill("1.000");
  await fold.getByRole("button", { name: "Start the mead" }).click();
  await page.getByRole("status").filter({ hasText: "Mead saved." }).waitFor();
  check((await page.locator("h1").textContent()).includes("Lime blossom"), "the mead is in it");

  await page.goto(`${base}/feeds`);
  fold = page.locator("details", { hasText: "Claim this topic" });
  await fold.getByLabel("Name of the feed").fill("Float 1");
  await fold.getByLabel("Floats in").selectOption({ label: "Demijohn <by> the stairs" });
  await fold.getByRole("button", { name: "Claim it" }).click();
  await page.getByRole("status").filter({ hasText: "Topic claimed" }).waitFor();
  check((await page.locator("article.feed").textContent()).includes("Float 1"), "the topic is claimed");
  check((await page.locator("#unclaimed h2").count()) === 0, "and waits no longer");

  // The one that only looks on.
  const other = await context.newPage();
  await other.goto(vessel);
  const before = await other.locator("p.sentence").textContent();
  if (scripts) await other.evaluate(() => (window.neverLoadedAgain = true));

  await page.goto(vessel);
  await handReading(page, "1,0500", 20);
  await handReading(page, "1.0200", 10);
  await handReading(page, "1.0100 SG", 0);
  check((await page.locator("ol.lines[reversed]").textContent()).includes("1.050"), "the hand reading stands in the log");

  fold = await unfold(page, "Note what was done");
  await fold.locator("select[name=what]").selectOption({ label: "fed nutrient" });
  await fold.locator("[name=note]").fill("2 g");
  await fold.getByRole("button", { name: "Note it" }).click();
  await page.getByRole("status").filter({ hasText: "2 g" }).waitFor();
  check((await page.locator("ol.lines[reversed]").textContent()).includes("2 g"), "the deed stands in the log");

  if (scripts) {
    await other.waitForFunction((old) => document.querySelector("p.sentence").textContent !== old, before);
    check(await other.evaluate(() => window.neverLoadedAgain === true), "the open page followed without being loaded again");
    // A page in use stays as it is, however much changes: what is typed must not be lost.
    const typing = await unfold(other, "Note a hand reading");
    await typing.getByLabel("Gravity as read").fill("1.0");
    // Longer than the page's script rests between two refreshes.
    const touched = other.evaluate(
      () => new Promise((done) => (new EventSource("/live").onmessage = () => setTimeout(done, 5000))),
    );
    await handReading(page, "1.0090", 0);
    await touched;
    const kept = await typing.getByLabel("Gravity as read").inputValue();
    check(kept === "1.0", "what is being typed stays", kept);
    check(!(await other.locator("ol.lines[reversed]").textContent()).includes("1.009"), "and the page around it");
    await typing.getByLabel("Gravity as read").fill("");
    await other.locator("h1").click();
    await handReading(page, "1.0085", 0);
    await other.locator("ol.lines[reversed]").filter({ hasText: "1.0085" }).waitFor();
    check(true, "once nothing is typed any more it follows again");
  } else {
    for (let i = 0; i < 600 && (await other.locator("p.sentence").textContent()) === before; i++) {
      await other.waitForTimeout(100);
      await other.reload();
    }
    check((await other.locator("p.sentence").textContent()) !== before, "the page follows when it is loaded again");
  }
  check((await other.locator("figure svg title").count()) > 0, "there is a curve with a title");

  await page.goto(vessel);
  await page.getByRole("link", { name: "correct" }).first().click();
  await page.waitForURL(/\/line\/\d+$/);
  await page.locator("[name=note]").fill("3 g, not 2");
  await page.locator("main form button[type=submit]").first().click();
  await page.waitForURL(/\/vessel\/\d+\?/);
  check((await page.locator("main").textContent()).includes("corrected since"), "a corrected line is kept beside the new one");

  const wide = await page.evaluate(() => document.documentElement.scrollWidth);
  check(wide <= 390, "nothing hangs over the side of a small screen", `${wide} px`);

  await page.goto(`${base}/access`);
  await page.getByRole("button", { name: "Sign out" }).click();
  await page.waitForURL(/\/enter/);
  await page.goto(vessel);
  check(page.url().includes("/enter"), "signing out shuts the book", page.url());
});
