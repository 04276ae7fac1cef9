// Hears the watcher and puts what it says into the page. Without this file the page is as right, only reloaded by hand or
// every 30 s. It never says that all is well by itself: each word heard turns the veil's clock back, silence lets it fall.
"use strict";
(() => {
  const root = document.documentElement;
  const stream = root.querySelector("[data-live]");
  if (!stream || !window.EventSource) return;
  const place = (id, html) => {
    const old = document.getElementById(id);
    if (!old) return;
    if (old.hasAttribute("aria-live")) {
      if (old.textContent !== html) old.textContent = html;
      return;
    }
    // Never under somebody's fingers: what holds a field in use waits for the next time.
    const held = old.contains(document.activeElement) ? document.activeElement : null;
    if (held && /^(INPUT|SELECT|TEXTAREA)$/.test(held.tagName)) return;
    const open = [...old.querySelectorAll("details")].map((d) => d.open);
    const address = held && (held.getAttribute("href") || (held.form && held.form.getAttribute("action")));
    old.outerHTML = html;
    const fresh = document.getElementById(id);
    if (!fresh) return;
    fresh.querySelectorAll("details").forEach((d, i) => { if (open[i]) d.open = true; });
    if (address) {
      const again = [...fresh.querySelectorAll("a,button")].find(
        (e) => e.getAttribute("href") === address || (e.form && e.form.getAttribute("action") === address));
      if (again) again.focus({ preventScroll: true });
    }
  };
  const source = new EventSource(stream.dataset.live);
  source.addEventListener("pieces", (event) => {
    const said = JSON.parse(event.data);
    if (said.title) document.title = said.title;
    for (const [id, html] of Object.entries(said.pieces)) place(id, html);
  });
  source.addEventListener("beat", () => {
    root.classList.remove("old30", "old60", "old90");
    root.dataset.beat = root.dataset.beat === "1" ? "0" : "1";
  });
  source.addEventListener("reload", () => location.reload());
})();
