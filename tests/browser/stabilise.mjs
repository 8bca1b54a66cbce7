// Stabilising a vessel's mead, with scripts or without: the fields are filled from its record, the
// shut gate says why and is passed with a reason, a change changes the answer, and doing it writes
// the doses and starts the wait.
import { base, check, daysAgo, signIn, unfold, withBrowser } from "./lib.mjs";

const scripts = process.env.EBBMARK_SCRIPTS === "on";

async function handReading(page, gravity, ph, days) {
  const form = await unfold(page, "Note a hand reading");
  await form.getByLabel("Gravity as read").fill(gravity);
  await form.getByLabel("Temperature of the sample").fill("20");
  await form.getByLabel("pH").fill(ph);
  await form.getByLabel("When").fill(daysAgo(days));
  await form.getByRole("button", { name: "Note the reading" }).click();
  await page.getByRole("status").filter({ hasText: "Noted: hand reading" }).waitFor();
}

/** With scripts the answer comes by itself; without, the button asks for it. */
async function answered(page, words) {
  if (!scripts) await page.getByRole("button", { name: "Reckon", exact: true }).click();
  const told = page.locator("#told").filter({ hasText: words });
  const found = await told.waitFor({ timeout: 20_000 }).then(() => true, () => false);
  const is = await page.locator("#told").textContent();
  check(found, `the answer says "${words}"`, is);
  return is;
}

await withBrowser({ javaScriptEnabled: scripts, viewport: { width: 390, height: 844 } }, async (context) => {
  const page = context.pages()[0] ?? (await context.newPage());
  await signIn(page);
  let fold = await unfold(page, "Add a vessel");
  await fold.getByLabel("Name").fill("Cask");
  await fold.getByRole("button", { name: "Add the vessel" }).click();
  await page.waitForURL(/\/vessel\/\d+$/);
  const vessel = page.url();
  fold = await unfold(page, "Start a mead");
  await fold.getByLabel("Name of the mead").fill("Lime blossom");
  await fold.getByLabel("Yeast pitched").fill(daysAgo(30));
  await fold.getByLabel("Gravity it began at").fill("1.100");
  await fold.getByLabel("Volume").fill("20");
  await fold.getByRole("button", { name: "Start the mead" }).click();
  await page.getByRole("status").filter({ hasText: "Mead saved." }).waitFor();
  await handReading(page, "1.050", "3.8", 20);
  await handReading(page, "1.020", "3.5", 8);
  await handReading(page, "1.0080", "3.4", 0);
  check((await page.locator("ol.lines[reversed]").textContent()).includes("pH 3.40"), "the log shows the pH");

  // Judged from a hand reading a while after it was noted.
  const stabilise = `${vessel}/reckon/stabilise`;
  const shut = page.locator(".shut");
  for (let i = 0; i < 300; i++) {
    await page.goto(stabilise);
    // By the last of the three readings: 1.100 to 1.0080 are more than 12 % vol.
    const strength = Number(await page.locator("#f-strength").inputValue());
    if ((await shut.count()) > 0 && strength > 12) break;
    await page.waitForTimeout(100);
  }
  check((await shut.textContent()).startsWith("Not yet. "), "the shut gate says why", await shut.textContent());
  check((await page.getByRole("button", { name: "Do it" }).count()) === 0, "and nothing can be done");
  const ph = page.locator("#f-ph");
  check((await ph.inputValue()) === "3.4", "the pH is filled in", await ph.inputValue());
  const from = await page.locator("#n-ph").textContent();
  check(from.startsWith("From "), "and says where it is from", from);
  check((await page.locator("#f-volume").inputValue()) === "20", "so is the volume");

  if (scripts) await page.evaluate(() => (window.neverLoadedAgain = true));
  await page.getByLabel("Why do it all the same").fill("a trial jar");
  const first = await answered(page, "potassium metabisulphite");
  await ph.fill("3.2");
  const second = await answered(page, "pH 3.20");
  check(first !== second, "another pH is another answer", second);
  if (scripts) {
    check(await page.evaluate(() => window.neverLoadedAgain === true), "without being loaded again");
    check(page.url().includes("ph=3.2"), "and the address follows", page.url());
    check(await ph.evaluate((e) => e === document.activeElement), "the field keeps the cursor");
  }
  await ph.fill("12");
  if (!scripts) await page.getByRole("button", { name: "Reckon", exact: true }).click();
  await page.locator("#complaints li").filter({ hasText: "pH: pH 12 is outside 2.5 to 7" }).waitFor();
  check((await ph.getAttribute("aria-invalid")) === "true", "what cannot be is marked at its field");
  check((await page.getByRole("button", { name: "Do it" }).count()) === 0, "and cannot be done");
  await ph.fill("3.3");
  await answered(page, "pH 3.30");

  const doing = page.locator("#do");
  const says = await doing.textContent();
  check(says.includes("potassium sorbate") && says.includes("a trial jar"), "it says what goes into the log", says);
  await doing.getByRole("button", { name: "Do it" }).click();
  await page.waitForURL(/\/vessel\/\d+\?noted=/);
  const noted = await page.getByRole("status").filter({ hasText: "Noted: stabilised" }).textContent();
  check(/\d(\.\d)? g potassium metabisulphite/.test(noted), "the line is read out with its doses", noted);
  check(noted.includes("Done all the same: a trial jar"), "and with why the gate was passed", noted);
  const task = await page.locator("li.task", { has: page.getByRole("heading", { name: "Sweeten it" }) }).textContent();
  check(/Stabilised: wait until .+ before sweetening\./.test(task), "the wait has begun", task);
  await page.goto(`${base}/`);
  check((await page.locator("p.task", { hasText: "Sweeten it" }).count()) === 1, "the cellar shows it too");
  await page.goto(vessel);
  const lines = await page.locator("ol.lines[reversed] li").filter({ hasText: "stabilised" }).count();
  check(lines === 1, "it is one line", `${lines}`);
});
