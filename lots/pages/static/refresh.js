// Keeps parts of a page up to date: requests each every four seconds while the page is visible, slower while the server does not answer.
(function () {
  "use strict";
  const EVERY_MS = 4000, SLOWEST_MS = 60000, PATIENCE_MS = 10000;
  if (!window.fetch || !window.AbortController) return;

  // Whether somebody types in a part or has selected text in it. It is not replaced until they are done.
  function inUse(place) {
    const here = document.activeElement, marked = document.getSelection();
    if (place.contains(here) && /^(INPUT|SELECT|TEXTAREA)$/.test(here.tagName)) return true;
    return marked && !marked.isCollapsed && place.contains(marked.anchorNode);
  }

  // Replaces the text. Open details stay open, and the focus stays where it was.
  function replace(place, html) {
    const open = [...place.querySelectorAll("details[id]")].map((one) => [one.id, one.open]);
    const here = place.contains(document.activeElement) ? document.activeElement : null;
    const name = here && (here.id ? "#" + CSS.escape(here.id) : here.getAttribute("href") ? 'a[href="' + CSS.escape(here.getAttribute("href")) + '"]' : null);
    const summary = here && here.tagName === "SUMMARY" ? here.parentElement.id : "";
    place.innerHTML = html; // from this server, which escapes typed text
    for (const [id, was] of open) {
      const one = document.getElementById(id);
      if (one) one.open = was;
    }
    const again = summary ? place.querySelector("#" + CSS.escape(summary) + " > summary") : name && place.querySelector(name);
    if (again) again.focus({ preventScroll: true });
  }

  function watch(place) {
    let tag = place.dataset.tag, wait = EVERY_MS, timer = null, asking = false, over = false;

    function later() {
      clearTimeout(timer);
      if (!over && !document.hidden) timer = setTimeout(ask, wait);
    }

    async function ask() {
      if (asking || over) return;
      if (inUse(place)) return later();
      asking = true;
      const stop = new AbortController(), patience = setTimeout(() => stop.abort(), PATIENCE_MS);
      try {
        const answer = await fetch(place.dataset.refresh, {
          headers: { "If-None-Match": tag }, cache: "no-store", redirect: "error", signal: stop.signal,
        });
        if (answer.status === 401 || answer.status === 403) {
          over = true; // signed out; the next page says so
        } else if (answer.status === 200) {
          const html = await answer.text();
          if (!inUse(place)) {
            replace(place, html);
            tag = answer.headers.get("ETag");
          }
        } else if (answer.status !== 304) {
          throw new Error(String(answer.status));
        }
        wait = EVERY_MS;
      } catch (away) {
        wait = Math.min(2 * wait, SLOWEST_MS);
      } finally {
        clearTimeout(patience);
        asking = false;
        later();
      }
    }

    document.addEventListener("visibilitychange", () => {
      if (document.hidden) clearTimeout(timer);
      else ask();
    });
    later();
  }

  document.querySelectorAll("[data-refresh]").forEach(watch);
})();
