// Says what stands under a pointer, a finger or the arrow keys on the curve, and what its marks mean.
// Without this script the last values stand below the curve, and marks lead to their line in the log.
"use strict";
(() => {
  const SVG = "http://www.w3.org/2000/svg";
  const PARTS = 10000;
  let places = [];
  let loaded = "";
  let at = -1;
  let explained = null;

  const holder = () => document.getElementById("curve");
  const paper = () => document.querySelector("#curve .paper");
  const words = () => document.querySelector("#curve .read-out");

  /** The drawing that is to be seen: [svg, left, right, top and bottom of the panels] in its units. */
  function drawing() {
    const svg = [...paper().querySelectorAll("svg")].find((s) => s.getBoundingClientRect().width > 0);
    return [svg, ...svg.dataset.panels.split(" ").map(Number)];
  }

  /** How far along the panel a pointer is, 0 to 1. */
  function along(clientX) {
    const [svg, left, right] = drawing();
    const box = svg.getBoundingClientRect();
    const x = ((clientX - box.left) / box.width) * svg.viewBox.baseVal.width;
    return Math.min(1, Math.max(0, (x - left) / (right - left)));
  }

  async function load() {
    const address = holder().dataset.readOut;
    if (loaded === address) return;
    loaded = address;
    try {
      const answer = await fetch(address, { credentials: "same-origin" });
      if (!answer.ok || answer.redirected) throw answer;
      places = await answer.json();
    } catch {
      if (loaded === address) loaded = "";
    }
  }

  function part(name, attributes) {
    const e = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) e.setAttribute(key, value);
    return e;
  }

  function show(n) {
    if (!places.length || !paper()) return;
    at = Math.min(places.length - 1, Math.max(0, n));
    const [x, upper, lower, says] = places[at];
    const [svg, left, right, top, bottom, lowerTop, lowerBottom] = drawing();
    hide();
    const cx = left + (x / PARTS) * (right - left);
    const pointed = part("g", { class: "pointed" });
    pointed.append(part("line", { x1: cx, x2: cx, y1: top, y2: lowerBottom || bottom }));
    const dot = (down, from, to) => {
      if (down !== null) pointed.append(part("circle", { cx, cy: from + (down / PARTS) * (to - from), r: 18 }));
    };
    dot(upper, top, bottom);
    dot(lower, lowerTop, lowerBottom);
    svg.append(pointed);
    words().textContent = says;
    const reader = document.getElementById("reader");
    reader.setAttribute("aria-valuemax", places.length - 1);
    reader.setAttribute("aria-valuenow", at);
    reader.setAttribute("aria-valuetext", says);
  }

  function hide() {
    for (const old of paper()?.querySelectorAll(".pointed") ?? []) old.remove();
  }

  /** The place nearest to a part of the width. */
  function nearest(part) {
    const away = (n) => Math.abs(places[n][0] - part * PARTS);
    let best = 0;
    for (let n = 1; n < places.length; n++) if (away(n) < away(best)) best = n;
    return best;
  }

  async function point(event) {
    const mark = event.target.closest("#curve .mark");
    if (mark) return explain(mark);
    if (!event.target.closest("#curve .paper")) return;
    explained = null;
    await load();
    if (places.length) show(nearest(along(event.clientX)));
  }

  function explain(mark) {
    hide();
    words().textContent = mark.getAttribute("aria-label");
  }

  /** The stop of the keyboard. */
  function prepare() {
    loaded = "";
    places = [];
    if (!paper()) return;
    const reader = document.createElement("div");
    for (const [key, value] of Object.entries({
      id: "reader", tabindex: 0, role: "slider", "aria-label": "Read the curve out",
      "aria-valuemin": 0, "aria-valuemax": 1, "aria-valuenow": 1, "aria-valuetext": words().textContent,
    })) reader.setAttribute(key, value);
    paper().prepend(reader);
  }

  const STEPS = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -20, PageUp: 20, Home: -1e6, End: 1e6 };

  document.addEventListener("keydown", async (event) => {
    if (event.target.id !== "reader" || !(event.key in STEPS) || event.ctrlKey || event.altKey || event.metaKey) return;
    event.preventDefault();
    await load();
    show((at < 0 ? places.length : at) + STEPS[event.key]);
  });
  document.addEventListener("pointermove", point);
  document.addEventListener("pointerdown", point);
  document.addEventListener("focusin", (event) => {
    if (event.target.matches?.("#curve .mark")) explain(event.target);
  });
  // The first tap of a finger explains, the second leads to the log.
  document.addEventListener("click", (event) => {
    const mark = event.target.closest("#curve .mark");
    if (!mark || event.pointerType !== "touch" || explained === mark) return;
    event.preventDefault();
    explained = mark;
  });
  document.addEventListener("fresh", prepare);
  prepare();
  window.readOut = { along, drawing, part };
})();
