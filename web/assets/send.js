// Sends what is written, and holds it while the board cannot be reached: cellars have thick walls.
// Without this script the browser sends the forms itself.
"use strict";
(() => {
  const AGAIN = 4000; // ms between two tries
  const PATIENCE = 20000; // ms without an answer are no connection

  const NO_ANSWER =
    "No connection. What you wrote is kept here and sent as soon as the board answers. Leave this page open.";
  const SIGNED_OUT = "You are signed out. What you wrote is kept here and sent once you have signed in.";

  /** The answer, or in words why there is none. */
  async function tried(form, body) {
    try {
      const signal = AbortSignal.timeout(PATIENCE);
      const answer = await fetch(form.action, { method: "POST", body, signal });
      if (answer.status >= 502) return NO_ANSWER;
      const out = answer.redirected && new URL(answer.url).pathname === "/enter";
      return out ? SIGNED_OUT : answer;
    } catch {
      return NO_ANSWER;
    }
  }

  /** The mark of the session that is open now: somebody may have signed in beside. */
  async function marked(body) {
    try {
      const answer = await fetch(location.href);
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const mark = page.querySelector("input[name=mark]");
      if (mark && !answer.redirected) body.set("mark", mark.value);
    } catch {
      // Asked again before the next try.
    }
  }

  function rested() {
    return new Promise((done) => {
      setTimeout(done, AGAIN);
      addEventListener("online", done, { once: true });
    });
  }

  function tell(note, words) {
    if (note.textContent === words) return;
    note.textContent = words;
    if (words !== SIGNED_OUT) return;
    const link = Object.assign(document.createElement("a"), { href: "/enter", target: "_blank", textContent: "Sign in" });
    note.append(" ", link);
  }

  async function send(form, submitter) {
    const body = new URLSearchParams(new FormData(form, submitter));
    // "Noted." was about what was written before.
    document.querySelectorAll(".done").forEach((e) => e.remove());
    // As it was sent it stays: the same form sent again is known by its token and done once.
    form.inert = true;
    let note = null;
    let answer;
    while (typeof (answer = await tried(form, body)) === "string") {
      if (!note) {
        note = Object.assign(document.createElement("p"), { className: "held" });
        note.setAttribute("role", "status");
        form.after(note);
      }
      tell(note, answer);
      await rested();
      await marked(body);
    }
    note?.remove();
    form.inert = false;
    if (answer.redirected) {
      // The same address again would only move to its anchor.
      if (answer.url === location.href) location.reload();
      else location.assign(answer.url);
      return;
    }
    // Refused, so nothing was written: the browser is told so itself.
    if (submitter?.name) {
      const chosen = document.createElement("input");
      Object.assign(chosen, { type: "hidden", name: submitter.name, value: submitter.value });
      form.append(chosen);
    }
    form.submit();
  }

  addEventListener("submit", (event) => {
    const form = event.target;
    if (event.defaultPrevented || form.method !== "post" || !form.elements.once) return;
    // Signing out writes nothing, and leads to where a lost session would; a secret is shown once, in the
    // answer itself.
    if (new URL(form.action).pathname === "/leave" || form.closest("[data-straight]")) return;
    event.preventDefault();
    // A second tap while the first is under way.
    if (!form.inert) send(form, event.submitter);
  });

  addEventListener("beforeunload", (event) => {
    if (document.querySelector(".held")) event.preventDefault();
  });
})();
