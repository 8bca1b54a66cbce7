// The first hour on a phone: from an empty board to a mead that is watched, by what the page says.
// Every step is found by following the page from the step before.
import { execFileSync } from "node:child_process";
import { base, check, daysAgo, withBrowser } from "./lib.mjs";

const code = process.env.EBBMARK_CODE;
const PASSWORD = "a lid of wax";

await withBrowser({ viewport: { width: 390, height: 844 } }, async (context) => {
  const page = context.pages()[0] ?? (await context.newPage());
  const current = async () => (await page.locator("[aria-current=step] h2").textContent()).trim();
  const goOn = async () => {
    await page.getByRole("link", { name: "First steps: go on" }).click();
    await page.waitForURL(`${base}/start`);
  };

  await page.goto(`${base}/`);
  await page.getByRole("link", { name: "first steps" }).click();
  await page.getByLabel("Code").fill("AAAA-BBBB");
  await page.getByLabel("Password").fill(PASSWORD);
  await page.getByRole("button", { name: "Set the password" }).click();
  check((await page.getByRole("alert").textContent()).includes("not the code"), "a wrong code is said to be wrong");
  await page.getByLabel("Code").fill(code.toLowerCase().replace("-", " "));
  await page.getByLabel("Password").fill(PASSWORD);
  await page.getByRole("button", { name: "Set the password" }).click();
  check((await current()) === "Your scales and clock", "with the password set, the next step stands open", await current());

  await page.getByRole("link", { name: "Look through them and save" }).click();
  await page.getByLabel("Time zone").fill("Europe/Vienna");
  await page.getByRole("button", { name: "Save the settings" }).click();
  await page.getByRole("status").filter({ hasText: "Saved." }).waitFor();
  await goOn();
  check((await current()) === "A vessel", "then a vessel", await current());

  await page.getByLabel("Name").fill("Shelf jar");
  await page.getByRole("button", { name: "Add the vessel" }).click();
  await page.waitForURL(/\/vessel\/\d+$/);
  await goOn();
  check((await current()) === "A mead in it", "then a mead", await current());
  await page.getByRole("link", { name: /start a mead/ }).click();
  await page.getByLabel("Name of the mead").fill("Thyme, invented");
  await page.getByLabel("Yeast pitched").fill(daysAgo(6));
  await page.getByLabel("Gravity it began at").fill("1,092");
  await page.getByRole("button", { name: "Start the mead" }).click();
  await page.getByRole("status").filter({ hasText: "Mead saved." }).waitFor();
  await goOn();
  check((await current()) === "Readings", "then its readings", await current());
  check((await page.locator("main").textContent()).includes(process.env.EBBMARK_INTAKE), "the page says where to send them");

  // The page sees the float speak, without being loaded again.
  execFileSync(process.env.EBBMARK_PUBLISH, ["-p", process.env.EBBMARK_INTAKE, "-t", "shelf/float", "-q", "1", "-m", '{"gravity": 1.0604, "temperature": 18.9}']);
  const claim = page.getByRole("link", { name: /claim it/ });
  await claim.waitFor();
  check(true, "the page sees the float speak");
  await claim.click();
  await page.getByLabel("Floats in").selectOption({ label: "Shelf jar" });
  await page.getByRole("button", { name: "Claim it" }).click();
  await page.getByRole("status").filter({ hasText: "Topic claimed" }).waitFor();
  await goOn();
  check((await current()) === "Notices that reach you", "then a notice", await current());
  await page.locator(".way", { hasText: "mail" }).getByRole("button", { name: "Send a test" }).click();
  await page.waitForURL(/\/notices/);
  await page.locator("main").filter({ hasText: "mail: sent" }).waitFor();
  await goOn();
  check((await page.locator("main").textContent()).includes("All is set up."), "all is set up");
  check((await page.locator("[aria-current=step]").count()) === 0, "and no step is left");

  await page.getByRole("link", { name: "look round" }).click();
  await page.waitForURL(`${base}/look-round`);
  check((await page.locator("main").textContent()).includes("mail"), "the look round speaks of the mail server");
  await page.goto(`${base}/start`);
  await page.getByRole("button", { name: "To the cellar" }).click();
  await page.waitForURL(`${base}/`);
  check((await page.getByRole("link", { name: "First steps: go on" }).count()) === 0, "the steps are left behind");
  check((await page.locator(".glance").textContent()).includes("All is well"), "the cellar says how it is", await page.locator(".glance").textContent());
});
