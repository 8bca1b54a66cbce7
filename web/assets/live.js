// Keeps an open page up to date. Without this script every page works, by reloading it.
"use strict";
(() => {
  const REST = 3000; // at most one fetch in this many ms
  const lost = document.getElementById("lost");
  let timer = 0;
  let wasLost = false;

  const main = () => document.getElementById("main");

  // Nothing typed may be lost: a form in use keeps the page as it is.
  const inUse = () => {
    if (document.querySelector("form[inert]")) return true;
    const focus = document.activeElement;
    if (focus && focus.form && main().contains(focus)) return true;
    return [...main().querySelectorAll("input, textarea, select")].some((e) =>
      e.tagName === "SELECT"
        ? [...e.options].some((o) => o.selected !== o.defaultSelected) &&
          (e.selectedIndex > 0 || [...e.options].some((o) => o.defaultSelected))
        : e.value !== e.defaultValue,
    );
  };

  async function refresh() {
    timer = 0;
    // A reckoning keeps its form and takes the new answer.
    if (window.reckonAgain) return window.reckonAgain();
    if (inUse()) return soon();
    try {
      const answer = await fetch(location.href, { credentials: "same-origin" });
      if (answer.redirected) return location.assign(answer.url);
      if (!answer.ok) return;
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const fresh = page.getElementById("main");
      if (!fresh || inUse()) return;
      for (const open of main().querySelectorAll("details[open][id]")) {
        const same = fresh.querySelector("#" + CSS.escape(open.id));
        if (same) same.open = true;
      }
      // "Saved." was about the request before.
      fresh.querySelectorAll(".done").forEach((e) => e.remove());
      const focused = document.activeElement && document.activeElement.id;
      main().replaceWith(fresh);
      document.dispatchEvent(new Event("fresh"));
      if (focused) document.getElementById(focused)?.focus({ preventScroll: true });
    } catch {
      // The stream notices a lost connection too, and says so.
    }
  }

  function soon() {
    if (!timer) timer = setTimeout(refresh, REST);
  }

  if (!main() || !main().dataset.follows || !window.EventSource) return;
  // What changed between this page and the stream is told at once.
  const stream = new EventSource("/live?told=" + main().dataset.told);
  stream.onopen = () => {
    lost.hidden = true;
    if (wasLost) refresh();
    wasLost = false;
  };
  stream.onerror = () => {
    wasLost = true;
    lost.textContent = "Connection lost. Showing the state of " + main().dataset.clock + ".";
    lost.hidden = false;
  };
  stream.onmessage = (event) => {
    const touched = event.data.split(" ");
    if (touched.includes("all") || main().dataset.follows.split(" ").some((word) => touched.includes(word))) soon();
  };
})();
