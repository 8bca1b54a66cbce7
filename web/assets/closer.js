// Looks closer at a part of the curve that is dragged over with a mouse or spread with two fingers,
// and changes the curve without leaving the page. Without this script its links do all that.
"use strict";
(() => {
  const LEAST = 0.02; // of the width: less is a click
  const SHORTEST = 3600_000;
  const fingers = new Map();
  let start = null; // where a mouse began to drag
  let spread = null; // what two fingers took hold of

  const holder = () => document.getElementById("curve");
  const number = (name) => Number(holder().dataset[name]);
  const curve = window.readOut;
  const along = (event) => curve.along(event.clientX);
  const moment = (part) => number("from") + part * (number("to") - number("from"));

  let shown = location.search;

  /** Puts the curve of an address in place of the one that is shown. */
  async function go(address, isBack) {
    const old = holder();
    old.setAttribute("aria-busy", "true");
    const focus = document.activeElement;
    const name = old.contains(focus) && (focus.id || focus.textContent);
    try {
      const answer = await fetch(address, { credentials: "same-origin" });
      if (!answer.ok || answer.redirected) throw answer;
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const fresh = page.getElementById("curve");
      for (const open of old.querySelectorAll("details[open]")) page.getElementById(open.id).open = true;
      old.replaceWith(fresh);
      if (!isBack) history.pushState(null, "", address);
      shown = location.search;
      document.dispatchEvent(new Event("fresh"));
      if (name) [...fresh.querySelectorAll("a, [tabindex]")].find((e) => e.id === name || e.textContent === name)?.focus({ preventScroll: true });
    } catch {
      location.assign(address);
    }
  }

  function look(from, to) {
    const [earliest, latest] = [number("earliest"), number("latest")];
    from = Math.min(Math.max(from, earliest), latest - SHORTEST);
    to = Math.min(Math.max(to, from + SHORTEST), latest);
    const query = new URLSearchParams(holder().dataset.readOut.split("?")[1]);
    query.delete("span");
    const text = (at) => new Date(at).toISOString().slice(0, 19) + "Z";
    query.set("from", text(from));
    query.set("to", text(to));
    go(`${location.pathname}?${query}`);
  }

  function mark(a, b) {
    document.querySelector("#curve .chosen-part")?.remove();
    if (b === undefined) return;
    const [svg, left, right, top, bottom, , lower] = curve.drawing();
    const x = left + Math.min(a, b) * (right - left);
    const width = Math.abs(a - b) * (right - left);
    svg.append(curve.part("rect", { class: "chosen-part", x, width, y: top, height: (lower || bottom) - top }));
  }

  document.addEventListener("pointerdown", (event) => {
    if (!event.target.closest("#curve .paper") || event.target.closest(".mark")) return;
    if (event.pointerType === "touch") {
      fingers.set(event.pointerId, along(event));
      if (fingers.size === 2) spread = { from: new Map(fingers) };
    } else if (event.button === 0) {
      start = along(event);
      event.target.setPointerCapture(event.pointerId);
      event.preventDefault(); // no words are chosen meanwhile
    }
  });
  document.addEventListener("pointermove", (event) => {
    if (fingers.has(event.pointerId)) fingers.set(event.pointerId, along(event));
    if (start !== null) mark(start, along(event));
  });
  document.addEventListener("pointerup", (event) => {
    if (start !== null) {
      const [a, b] = [start, along(event)].sort((x, y) => x - y);
      mark();
      start = null;
      if (b - a >= LEAST) look(moment(a), moment(b));
    }
    lift(event);
  });
  document.addEventListener("pointercancel", lift);

  /** With the fingers where they are now, the times they took hold of lie under them again. */
  function lift(event) {
    if (spread && fingers.size === 2) {
      const ids = [...spread.from.keys()];
      const [[a, b], [c, d]] = [ids.map((id) => spread.from.get(id)), ids.map((id) => fingers.get(id))];
      spread = null;
      const times = (b - a) / (d - c);
      if (times > 0 && Math.abs(times - 1) > 0.1) {
        const width = times * (number("to") - number("from"));
        const from = moment(a) - c * width;
        look(from, from + width);
      }
    }
    fingers.delete(event.pointerId);
  }

  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") start = mark() ?? null;
  });
  // Back and forth through what was looked at; a step within the page changes no query.
  window.addEventListener("popstate", () => {
    if (location.search !== shown) go(location.href, true);
  });
  document.addEventListener("click", (event) => {
    const link = event.target.closest("#curve .looks a[href]");
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    go(link.getAttribute("href").split("#")[0]);
  });
})();
