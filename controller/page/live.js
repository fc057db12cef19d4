// Keeps a page of hygrohold true without loading it again. All of the page works without this.
"use strict";

(() => {
  const TURN_MS = 1000, EVERY_MS = 5000, PATIENCE_MS = 9000, QUIET_MS = 16000;
  const address = document.body.dataset.now;
  const quiet = document.getElementById("quiet");
  let heardMs = performance.now(), askedMs = heardMs, heardAt = new Date(), asking = false;

  // What has not changed is left alone: a screen reader would read it again, a finger would miss its link.
  function take(text) {
    const fresh = new DOMParser().parseFromString(text, "text/html");
    for (const part of fresh.querySelectorAll("[data-live]")) {
      const old = document.getElementById(part.id);
      if (!old) continue;
      old.className = part.className;
      if (old.innerHTML === part.innerHTML) continue;
      const held = old.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
      old.replaceChildren(...part.childNodes);
      if (held !== null) {
        const again = [...old.querySelectorAll("a")].find((link) => link.getAttribute("href") === held);
        if (again) again.focus();
      }
    }
    for (const toggle of document.querySelectorAll("[data-toggle]")) {
      document.getElementById(toggle.dataset.toggle).hidden = toggle.dataset.on !== "1";
    }
    if (fresh.title) document.title = fresh.title;
  }

  async function look() {
    if (asking || document.hidden) return;
    asking = true;
    askedMs = performance.now();
    try {
      const answer = await fetch(address, { cache: "no-store", signal: AbortSignal.timeout(PATIENCE_MS) });
      if (answer.status === 401) return location.reload();
      if (!answer.ok) throw new Error(String(answer.status));
      take(await answer.text());
      heardMs = performance.now();
      heardAt = new Date();
    } catch {
      // Said below, once it has lasted.
    } finally {
      asking = false;
      tell();
    }
  }

  function tell() {
    const silent = performance.now() - heardMs > QUIET_MS;
    if (silent === !quiet.hidden) return;
    quiet.querySelector("span").textContent = heardAt.toLocaleTimeString();
    quiet.hidden = !silent;
    document.body.classList.toggle("unheard", silent);
    if (silent) document.title = "not heard: " + document.title;
  }

  // Whoever has asked for something waits for the answer.
  setInterval(() => {
    tell();
    const waits = document.querySelector("#answer .open") !== null;
    if (waits || performance.now() - askedMs >= EVERY_MS) look();
  }, TURN_MS);
  document.addEventListener("visibilitychange", look);
  addEventListener("pageshow", look);
})();
