// Reckons again while a field changes and puts the new answer in place. Without this script the
// form is sent by its button.
"use strict";
(() => {
  const form = document.querySelector("form[data-reckon]");
  if (!form) return;
  const REST = 350; // ms without typing
  const lost = document.getElementById("lost");
  let timer = 0;
  let turn = 0;

  // What stands on the page is not of these fields any more: it must not be written down.
  function stale() {
    turn++;
    for (const button of document.querySelectorAll("#do button")) button.disabled = true;
    clearTimeout(timer);
    timer = setTimeout(again, REST);
  }

  async function again() {
    const mine = ++turn;
    const filled = [...new FormData(form)].filter(([, text]) => text.trim());
    const address = form.getAttribute("action") + "?" + new URLSearchParams(filled);
    let page;
    try {
      const answer = await fetch(address, { credentials: "same-origin" });
      if (answer.redirected) return location.assign(answer.url);
      if (!answer.ok) throw answer;
      page = new DOMParser().parseFromString(await answer.text(), "text/html");
    } catch {
      if (mine !== turn) return;
      lost.textContent = "No answer from the board. What stands here is from before your change.";
      lost.hidden = false;
      return;
    }
    if (mine !== turn) return;
    // A gate that opened or shut changes what is asked.
    if (!page.querySelector(".shut") !== !document.querySelector(".shut")) return location.assign(address);
    lost.hidden = true;
    const open = [...document.querySelectorAll("details[open][id]")].map((e) => e.id);
    for (const place of document.querySelectorAll("[data-fresh]")) {
      const fresh = page.getElementById(place.id);
      // What is as it was is not read out again.
      if (fresh && fresh.innerHTML !== place.innerHTML) place.replaceChildren(...fresh.childNodes);
    }
    for (const id of open) document.getElementById(id)?.setAttribute("open", "");
    for (const field of form.querySelectorAll("[name]")) {
      const wrong = page.getElementById(field.id)?.getAttribute("aria-invalid");
      if (wrong) field.setAttribute("aria-invalid", wrong);
      else field.removeAttribute("aria-invalid");
    }
    // The address of the answer, to be kept or sent to somebody.
    history.replaceState(null, "", address);
  }

  // What a vessel's feed fills goes on while one looks on: live.js asks for it.
  window.reckonAgain = again;
  form.addEventListener("input", stale);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    clearTimeout(timer);
    again();
  });

  for (const rows of form.querySelectorAll("[data-rows]")) {
    const more = rows.querySelector(".more");
    const all = () => rows.querySelectorAll(".part");
    const full = () => all().length >= Number(rows.dataset.most);
    more.hidden = full();
    more.addEventListener("click", () => {
      const last = all()[all().length - 1];
      const n = all().length;
      const next = last.cloneNode(true);
      for (const e of [next, ...next.querySelectorAll("*")]) {
        for (const name of ["id", "for", "name", "aria-describedby"]) {
          const text = e.getAttribute(name);
          if (text) e.setAttribute(name, text.replace(`.${n}.`, `.${n + 1}.`));
        }
        if (e.matches("input, select")) e.value = "";
      }
      next.setAttribute("aria-label", last.getAttribute("aria-label").replace(/\d+$/, n + 1));
      last.after(next);
      more.hidden = full();
      next.querySelector("input, select")?.focus();
    });
  }
})();
