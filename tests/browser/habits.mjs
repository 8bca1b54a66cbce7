// Who gets in, and how a maker likes numbers and times: two browsers, a program, other scales; the
// screen on the wall, and what a phone's home screen is given.
import { base, check, password, signIn, unfold, withBrowser } from "./lib.mjs";

await withBrowser({ viewport: { width: 390, height: 844 }, locale: "en-US" }, async (context) => {
  const page = context.pages()[0] ?? (await context.newPage());
  await signIn(page);
  const main = page.locator("main");

  // ---- habits ----
  await page.goto(`${base}/settings`);
  for (const [label, option] of [
    ["Gravity", "°Plato"],
    ["Temperature", "°F"],
    ["Volume", "US gallons"],
    ["Mass", "pounds (doses stay in grams)"],
    ["Pressure", "psi"],
    ["Days are written", "Dec 3, 2026"],
    ["Times are written", "2:05 pm"],
  ]) {
    await page.getByLabel(new RegExp(`^${label}`)).selectOption({ label: option });
  }
  await page.getByLabel("Time zone").fill("America/Chicago");
  await page.getByRole("button", { name: "Save the settings" }).click();
  await page.getByRole("status").filter({ hasText: "Saved." }).waitFor();
  check(/As of \d{1,2}:\d\d [ap]m, America\/Chicago time/.test(await main.innerText()), "the clock is the maker's", await page.locator(".as-of").innerText());

  await page.goto(`${base}/`);
  let form = await unfold(page, "Add a vessel");
  await form.getByLabel("Name").fill("Porch keg");
  await form.getByLabel("Holds, US gal").fill("5,2");
  await form.getByRole("button", { name: "Add the vessel" }).click();
  await page.waitForURL(/\/vessel\/\d+$/);
  const vessel = page.url();
  form = await unfold(page, "Start a mead");
  await form.getByLabel("Name of the mead").fill("Basswood, invented");
  await form.getByLabel(/^Gravity it began at, °P/).fill("23,5");
  await form.getByLabel(/^Volume, US gal/).fill("5");
  await form.getByRole("button", { name: "Start the mead" }).click();
  await page.getByRole("status").filter({ hasText: "Mead saved." }).waitFor();
  // 23.5 °P is SG 1.0990 by Plato's tables, 5 US gal are 18.927 L.
  check(/23\.5\d? °P/.test(await main.innerText()), "what was typed in °Plato is shown in it");
  form = await unfold(page, "Note a hand reading");
  await form.getByLabel("Gravity as read, °P").fill("22,8");
  await form.getByLabel("Temperature of the sample, °F").fill("68");
  await form.getByRole("button", { name: "Note the reading" }).click();
  await page.getByRole("status").filter({ hasText: "Noted: hand reading" }).waitFor();
  check((await main.innerText()).includes("68.0 °F"), "and °F");
  const seen = await (await context.request.get(`${base}/api/v1/vessels`)).json();
  const capacity = seen.find((v) => v.name === "Porch keg").capacity;
  check(Math.abs(capacity - 5.2 * 3.785411784) < 0.01, "5,2 gallons are read with their comma", `${capacity}`);

  // ---- the wall and the home screen ----
  await page.setViewportSize({ width: 1280, height: 800 });
  await page.goto(`${base}/wall`);
  const lines = await page.locator(".wall li").evaluateAll((all) => all.map((li) => li.getBoundingClientRect().bottom));
  check(lines.length === 1 && lines.every((bottom) => bottom <= 800), "the wall fits its screen", `${lines}`);
  const height = await page.locator(".wall b").first().evaluate((b) => parseFloat(getComputedStyle(b).fontSize));
  check(height >= 80, "in letters read from three metres", `${height} px`);
  const cdp = await context.newCDPSession(page);
  const { errors, url } = await cdp.send("Page.getAppManifest");
  check(url.endsWith("/ebbmark.webmanifest") && errors.length === 0, "the browser finds no fault with the manifest", JSON.stringify(errors));
  const installable = await cdp.send("Page.getInstallabilityErrors");
  const wrong = (installable.installabilityErrors ?? []).filter((e) => /icon|manifest|start|name|display/.test(e.errorId));
  check(wrong.length === 0, "nothing in it keeps it from the home screen", JSON.stringify(wrong));

  // ---- who gets in ----
  await page.setViewportSize({ width: 390, height: 844 });
  await page.goto(`${base}/access`);
  form = page.locator("form[action='/access/token']");
  await form.getByLabel("Who it is for").fill("The <shelf> float");
  await form.getByLabel("send readings").check();
  await form.getByRole("button", { name: "Make a token" }).click();
  const token = await page.locator("code.token").innerText();
  check(token.length === 64, "a token is shown");
  const ask = (path, options = {}) => fetch(base + path, { ...options, headers: { authorization: `Bearer ${token}`, ...options.headers } });
  check((await ask("/intake/shelf/float", { method: "POST", body: "1.0500" })).status === 202, "it sends readings");
  check((await ask("/api/v1/vessels")).status === 403, "it reads nothing");
  await page.goto(`${base}/access`);
  check(!(await main.innerText()).includes(token), "it is shown once");
  check((await main.innerText()).includes("The <shelf> float"), "its name stands there as it was written");
  await page.locator(".way", { hasText: "The <shelf> float" }).getByRole("button", { name: "Revoke" }).click();
  await page.getByRole("status").waitFor();
  check((await ask("/intake/shelf/float", { method: "POST", body: "1.0500" })).status === 401, "revoked, it opens nothing");

  check((await fetch(`${base}/`, { redirect: "manual" })).status === 303, "who is not signed in does not look");
  await page.getByLabel("This book may be read by").selectOption({ label: "everybody who reaches it" });
  await page.locator("form[action='/access/view']").getByRole("button").click();
  await page.getByRole("status").waitFor();
  check((await fetch(`${base}/`)).status === 200, "unless the maker says so");

  // Signed in elsewhere too, then signed out from here.
  const entered = await fetch(`${base}/enter`, {
    method: "POST",
    redirect: "manual",
    headers: { "content-type": "application/x-www-form-urlencoded", "user-agent": "Mozilla/5.0 (iPad) Safari/605" },
    body: new URLSearchParams({ password, then: "/" }),
  });
  const cookie = entered.headers.get("set-cookie").split(";")[0];
  const inside = async () => (await (await fetch(`${base}/access`, { headers: { cookie } })).text()).includes("Signed in");
  check(await inside(), "signed in elsewhere");
  await page.goto(`${base}/access`);
  await page.locator(".way", { hasText: "Safari on iPad" }).getByRole("button", { name: "Sign out" }).click();
  await page.getByRole("status").waitFor();
  check(!(await inside()), "and signed out from here");

  form = page.locator("form[action='/access/password']");
  await form.getByLabel("The password now").fill(password);
  await form.getByLabel("The new one").fill("a longer one than before");
  await form.getByRole("button", { name: "Change the password" }).click();
  await page.getByRole("status").filter({ hasText: "The password is changed" }).waitFor();
  await page.goto(vessel);
  check(await page.getByText("Note a hand reading").isVisible(), "whoever changed it stays signed in");
});
