// Keeps the page as it stands now: when the watcher says something, and each minute, the page is fetched again and
// the parts that changed are put in. A part somebody is typing in is left alone. Without this script the page works
// all the same, and is loaded again by hand.
"use strict";
(() => {
  const news = document.getElementById("news");
  const live = document.getElementById("live");
  const MINUTE = 60000;
  let pending = 0;
  let busy = false;

  const busyWith = (part) =>
    part.contains(document.activeElement) && document.activeElement.matches("input, select, textarea");

  const sayings = (root) =>
    new Map([...root.querySelectorAll("[data-say]")].map((each) => [each.dataset.say, each]));

  const announce = (before, after) => {
    const fresh = [...after].filter(([key]) => !before.has(key)).map(([, element]) => {
      const words = element.querySelector(".message") || element;
      return words.textContent.trim().replace(/\s+/g, " ");
    });
    if (fresh.length) {
      const note = document.createElement("p");
      note.className = "said";
      note.textContent = fresh.join(" ");
      news.replaceChildren(note);
      setTimeout(() => note.remove(), 15000);
    }
  };

  const keepOpen = (from, to) => {
    for (const details of from.querySelectorAll("details[id]")) {
      const twin = to.querySelector(`#${CSS.escape(details.id)}`);
      if (twin) twin.open = details.open;
    }
    if (from.matches("details") && to.matches("details")) to.open = from.open;
  };

  const put = (next) => {
    const before = sayings(document);
    const after = sayings(next);
    const parts = document.querySelectorAll("[data-part]");
    const ids = [...parts].map((each) => each.id).join();
    if (ids !== [...next.querySelectorAll("[data-part]")].map((each) => each.id).join()) {
      if (![...document.querySelectorAll("main")].some(busyWith)) location.reload(); // a batch came or went
      return;
    }
    for (const part of parts) {
      const twin = next.getElementById(part.id);
      if (busyWith(part)) continue;
      const focused = part.contains(document.activeElement) ? document.activeElement.getAttribute("aria-label") : null;
      keepOpen(part, twin);
      if (twin.innerHTML !== part.innerHTML || twin.className !== part.className) {
        const taken = document.importNode(twin, true);
        part.replaceWith(taken);
        if (focused) taken.querySelector(`[aria-label="${CSS.escape(focused)}"]`)?.focus();
      }
    }
    for (const id of ["summary", "as-of"]) {
      document.getElementById(id).textContent = next.getElementById(id).textContent;
    }
    const token = next.querySelector("input[name=csrf]")?.value;
    if (token) for (const field of document.querySelectorAll("input[name=csrf]")) field.value = token;
    document.title = next.title;
    announce(before, after);
  };

  const refresh = async () => {
    if (busy) return;
    busy = true;
    try {
      const answer = await fetch("/", { headers: { Accept: "text/html" } });
      if (answer.redirected && !answer.url.endsWith("/")) location.reload(); // signed out
      else if (answer.ok) put(new DOMParser().parseFromString(await answer.text(), "text/html"));
    } catch {
      lost();
    } finally {
      busy = false;
    }
  };

  const soon = () => {
    clearTimeout(pending);
    pending = setTimeout(refresh, 400);
  };

  const lost = () => {
    live.textContent = "The connection is lost: this may be out of date.";
  };

  const follow = () => {
    const events = new EventSource("/api/events");
    events.onopen = () => {
      live.textContent = "It keeps itself up to date.";
      soon();
    };
    events.onerror = () => {
      lost();
      if (events.readyState === EventSource.CLOSED) setTimeout(follow, MINUTE / 4);
    };
    for (const kind of ["verdict", "alert"]) events.addEventListener(kind, soon);
  };

  setTimeout(() => news.replaceChildren(), 12000);
  if (location.search) history.replaceState(null, "", location.pathname + location.hash);
  setInterval(() => document.visibilityState === "visible" && refresh(), MINUTE);
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && soon());
  follow();
})();
