// From must to glass on a phone: what tests/e2e/story.rs does by the API, done by thumb. Time is set
// in a file the daemon's clock is read from, and the floats' readings are sent as they would have come.
import { base, check, signIn, unfold, withBrowser } from "./lib.mjs";
import { mkdirSync, readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";

const pitch = Number(process.env.EBBMARK_PITCH);
const readings = JSON.parse(readFileSync(process.env.EBBMARK_READINGS, "utf8"));
const shots = process.env.EBBMARK_SHOTS;
const cask = `${base}/vessel/1`;
const jar = `${base}/vessel/2`;
const tub = `${base}/vessel/3`;
let sent = pitch - 3600;

/** Seconds of an instant so many days after the pitch. */
const day = (days) => Math.floor(pitch + days * 86_400);

const ask = (path, options = {}) =>
  fetch(base + path, { ...options, headers: { authorization: `Bearer ${process.env.EBBMARK_TOKEN}` } });

/** Time passes, and the floats send. */
async function pass(days, floats = Object.keys(readings)) {
  const now = day(days);
  writeFileSync(process.env.EBBMARK_CLOCK, `@${new Date(now * 1000).toISOString().slice(0, 19).replace("T", " ")}`);
  for (const topic of floats) {
    // A record without a time of its own follows one that has it.
    const pack = [];
    let takes = false;
    for (const record of readings[topic]) {
      if (record.bt !== undefined) takes = record.bt > sent && record.bt <= now;
      if (takes) pack.push(record);
    }
    for (let n = 0; n < pack.length; n += 400) {
      const body = JSON.stringify(pack.slice(n, n + 400));
      const headers = { authorization: `Bearer ${process.env.EBBMARK_INTAKE}` };
      const answer = await fetch(`${base}/intake/${topic}`, { method: "POST", body, headers });
      if (answer.status !== 202) throw new Error(await answer.text());
    }
  }
  sent = now;
}

/** Waits until what is in the vessel is judged by all that came. */
async function judged(vessel, phase) {
  const path = vessel.replace(base, "").replace("/vessel/", "/api/v1/vessels/");
  for (let n = 0; n < 300; n++) {
    const { verdict } = await (await ask(path)).json();
    if (verdict && verdict.at >= (sent - 3600) * 1000 && (!phase || verdict.phase === phase)) return;
    await new Promise((later) => setTimeout(later, 100));
  }
  throw new Error(`${vessel} is not ${phase ?? "judged"}: ${JSON.stringify(await (await ask(path)).json())}`);
}

/** The float's own numbers in words the page uses. */
const status = (page, words) => page.getByRole("status").filter({ hasText: words });

await withBrowser({ viewport: { width: 390, height: 844 }, hasTouch: true }, async (context) => {
  const page = context.pages()[0] ?? (await context.newPage());
  page.setDefaultTimeout(15_000);
  mkdirSync(shots, { recursive: true });
  let looks = 0;
  const look = (name) =>
    page.screenshot({ path: join(shots, `story-${String(++looks).padStart(2, "0")}-${name}.png`), fullPage: true });
  const task = (vessel, words) =>
    page.locator("section[aria-labelledby=to-do] li.task").filter({ has: page.getByRole("heading", { name: words }) }).first();
  /** Two taps: the vessel's page is open, one on "Done". */
  async function done(vessel, words) {
    await page.goto(vessel);
    await task(vessel, words).getByRole("button", { name: "Done" }).tap();
    await status(page, "Noted: ").waitFor();
  }
  /** Waits until a task is there to be answered. */
  async function due(vessel, words) {
    for (let n = 0; n < 100; n++) {
      await page.goto(vessel);
      if ((await page.locator("section[aria-labelledby=to-do] li.task.due").filter({ hasText: words }).count()) > 0) return;
      await page.waitForTimeout(100);
    }
    throw new Error(`${words} is not due: ${await page.locator("main").textContent()}`);
  }
  async function doIt(words) {
    const doing = page.locator("#do");
    await doing.getByRole("button", { name: "Do it" }).tap();
    await page.waitForURL(/\/vessel\/\d+\?noted=/);
    const noted = await page.getByRole("status").textContent();
    check(noted.includes(words), `noted: ${words}`, noted);
    return noted;
  }
  async function hand(vessel, gravity) {
    await page.goto(vessel);
    const fold = await unfold(page, "Note a hand reading");
    await fold.getByLabel("Gravity as read").fill(gravity);
    await fold.getByLabel("Temperature of the sample").fill("20");
    await fold.getByRole("button", { name: "Note the reading" }).tap();
    await status(page, "Noted: hand reading").waitFor();
  }

  // Planned and pitched.
  await pass(0, []);
  await signIn(page);
  await page.goto(cask);
  let fold = await unfold(page, "Start a mead");
  await fold.getByLabel("Name of the mead").fill("Hedge base");
  await fold.getByLabel("Gravity it began at").fill("1.098");
  await fold.getByLabel("Gravity you expect it to end at").fill("0.991");
  await fold.getByLabel("Strength the yeast bears").fill("18");
  await fold.getByLabel("Volume").fill("22");
  await fold.locator("[name=yeast]").fill("dry white strain");
  await fold.locator("[name=honey]").fill("linden");
  await look("start");
  await fold.getByText("What it is to become").first().tap().catch(() => {});
  await fold.getByLabel("Nutrient steps").selectOption("2");
  await fold.getByLabel("… go by").selectOption("hours");
  await fold.getByRole("button", { name: "Start the mead" }).tap();
  await status(page, "Mead saved.").waitFor();
  await look("started");
  await page.goto(`${cask}/reckon/must`);
  await look("must");
  await doIt("honey");

  // Fed twice, as the tasks ask and the reckoning weighs.
  for (const days of [1.1, 2.1]) {
    await pass(days, ["loft/float-1"]);
    await judged(cask);
    await page.goto(cask);
    const feeding = task(cask, "nutrient");
    await look("feeding");
    await feeding.getByRole("link", { name: "Weigh it out" }).tap();
    await doIt("diammonium phosphate");
  }
  check((await task(cask, "nutrient").count()) === 0, "both steps are done");

  // Settled, and a hand reading agrees.
  await pass(16, ["loft/float-1"]);
  await judged(cask, "settled");
  await hand(cask, "0.9907");
  await look("settled");

  // Ten litres onto cherries; the rest, less its lees, onto raspberries.
  await pass(17, ["loft/float-1"]);
  await page.goto(cask);
  fold = await unfold(page, "Split some off into another vessel");
  await fold.getByLabel("Into").selectOption("2");
  await fold.getByLabel("How much").fill("10");
  await fold.getByLabel("Name of the part").fill("Hedge cherry");
  await fold.getByRole("button", { name: "Split it off" }).tap();
  await status(page, "Split off.").waitFor();
  await page.goto(cask);
  fold = await unfold(page, "Move it to another vessel");
  await fold.getByLabel("Into").selectOption("3");
  await fold.getByLabel("Volume in it then").fill("10.4");
  await fold.getByRole("button", { name: "Move it" }).tap();
  await status(page, "Moved.").waitFor();
  await look("moved");
  for (const [vessel, fruit, mass, sugar, style, finish, gravity] of [
    [jar, "cherries", "2.4", "13", "dry, on cherries", "dry", ""],
    [tub, "raspberries", "1.6", "5", "sweet, on raspberries", "sweetened", "1.015"],
  ]) {
    await page.goto(vessel);
    fold = await unfold(page, "Change the facts of this mead");
    await fold.getByText("What it is to become").first().tap().catch(() => {});
    await fold.getByLabel("What it is to be").fill(style);
    await fold.getByLabel("Gravity in the glass").fill(gravity);
    await fold.locator("[name=steep-1-name]").fill(fruit);
    await fold.locator("[name=steep-1-days]").fill("10");
    await fold.getByLabel("Finished").selectOption(finish);
    await fold.locator("[name=pack]").selectOption("keg");
    await fold.getByRole("button", { name: "Save the mead" }).tap();
    await status(page, "Mead saved.").waitFor();
    fold = await unfold(page, "Note what was done");
    await fold.locator("[name=what]").selectOption("addition");
    await fold.locator("[name=note]").fill(fruit);
    await fold.locator("[name=of]").selectOption("fruit");
    await fold.getByLabel("How much of it").fill(mass);
    await fold.getByLabel("Called").fill(fruit);
    await fold.getByLabel("Sugar in it").fill(sugar);
    await fold.getByRole("button", { name: "Note it" }).tap();
    await status(page, "Noted: added").waitFor();
    await look(fruit);
  }

  // Pushed down every other day, out on the tenth: one tap each.
  for (const days of [19.1, 21.2, 23.3, 25.4]) {
    await pass(days);
    for (const vessel of [jar, tub]) await done(vessel, "Push down");
  }
  await look("pushed");
  await pass(27.5);
  for (const vessel of [jar, tub]) await done(vessel, "Take out");

  // Both settle again and are racked; some days later the hydrometer agrees.
  await pass(44);
  for (const vessel of [jar, tub]) {
    await judged(vessel, "settled");
    await page.goto(vessel);
    if (page.url().includes("/enter")) await signIn(page);
    await done(vessel, "Rack it");
  }
  await look("racked");
  for (const days of [50, 57]) {
    await pass(days);
    for (const vessel of [jar, tub]) {
      await judged(vessel, "settled");
      await hand(vessel, vessel === jar ? "0.9868" : "0.9895");
    }
  }
  await due(jar, "Keg");

  // The one stays dry, is kegged and finished.
  await done(jar, "Keg");
  await look("kegged");
  fold = await unfold(page, "Finish this mead");
  await fold.getByRole("button", { name: "Finish it" }).tap();
  await page.getByRole("status").waitFor();
  await look("finished");

  // The other is stabilised, waits a day, is sweetened, watched, and kegged.
  for (const days of [57.3, 57.6, 57.9, 58.2]) {
    await pass(days, ["loft/float-1"]);
    await judged(tub, "settled");
  }
  await due(tub, "Stabilise");
  await task(tub, "Stabilise").getByRole("link", { name: "Weigh it out" }).tap();
  await page.locator("#f-ph").fill("3.4");
  await page.locator("#told").filter({ hasText: "pH 3.40" }).waitFor();
  await doIt("potassium sorbate");
  const waits = await task(tub, "Sweeten").textContent();
  check(waits.includes("wait until"), "the wait is shown", waits);
  await pass(61, ["loft/float-1"]);
  await page.goto(tub);
  await task(tub, "Sweeten").getByRole("link", { name: "Weigh it out" }).tap();
  check((await page.locator("#f-target").inputValue()) === "1.015", "sweetened to what was planned");
  const sweetened = (await doIt("honey")).match(/(\d+) g honey/)[1];
  // Weighed at the pitch, and now.
  const honey = `${(6.8 + sweetened / 1000).toFixed(3)} kg`;
  for (const days of [70, 77]) {
    await pass(days, ["loft/float-1"]);
    await judged(tub);
    await page.goto(tub);
    if (page.url().includes("/enter")) await signIn(page);
    await hand(tub, "1.015");
  }
  await due(tub, "Keg");
  await done(tub, "Keg");
  fold = await unfold(page, "Finish this mead");
  await fold.getByRole("button", { name: "Finish it" }).tap();
  await page.getByRole("status").waitFor();
  await look("end");

  // Both cards, and both meads laid over one another, from the archive.
  await page.goto(`${base}/archive`);
  const names = await page.locator("main").textContent();
  check(names.includes("Hedge base") && names.includes("Hedge cherry"), "both are in the archive");
  await look("archive");
  for (const [number, name, weighed, words] of [
    [1, "Hedge base", [honey, "1.600 kg", "17.310 kg"], ["sweet, on raspberries", "Contains sulphites"]],
    [2, "Hedge cherry", ["2.400 kg"], ["dry, on cherries", "No sulphite was added"]],
  ]) {
    await page.goto(`${base}/mead/${number}`);
    check((await page.locator("h1").textContent()).includes(name), `the card of ${name}`);
    const went = await page.locator("section.went-in").textContent();
    for (const mass of weighed) check(went.includes(mass), `${name}: ${mass} went in`, went);
    const card = await page.locator("main").textContent();
    for (const word of words) check(card.includes(word), `${name}: ${word}`, card);
    const over = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
    check(over <= 0, `the card of ${name} fits a phone`, `${over} px over`);
    await look("card");
  }
  await page.goto(`${base}/compare?mead=1&mead=2&by=time`);
  check((await page.locator("figure svg").count()) > 0, "they are laid over one another");
  await look("compare");
});
