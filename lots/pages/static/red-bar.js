// Keeps the red bar up to date: asks every four seconds while the page is seen, slower while the server is away.
(function () {
  "use strict";
  const place = document.getElementById("must-come-off");
  const EVERY_MS = 4000, SLOWEST_MS = 60000, PATIENCE_MS = 10000;
  if (!place || !window.fetch || !window.AbortController) return;
  let tag = place.dataset.tag, wait = EVERY_MS, timer = null, asking = false, over = false;

  function later() {
    clearTimeout(timer);
    if (!over && !document.hidden) timer = setTimeout(ask, wait);
  }

  async function ask() {
    if (asking || over) return;
    asking = true;
    const stop = new AbortController(), patience = setTimeout(() => stop.abort(), PATIENCE_MS);
    try {
      const answer = await fetch(place.dataset.url, {
        headers: { "If-None-Match": tag }, cache: "no-store", redirect: "error", signal: stop.signal,
      });
      if (answer.status === 401 || answer.status === 403) {
        over = true; // signed out: the next page says so
      } else if (answer.status === 200) {
        place.innerHTML = await answer.text(); // of this server, which escapes what people typed
        tag = answer.headers.get("ETag");
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
})();
