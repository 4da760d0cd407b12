// Keeps the parts of the page fresh. Never shows old values as present: after 2.5 s without news it says so.
"use strict";
(() => {
  const LOST = '<p class="said">No contact with the listening program.</p><p class="more">This page shows nothing now. Is the booth computer on? The stream itself may be fine.</p>';
  const put = (id, html) => {
    const at = document.getElementById(id);
    if (!at || at.innerHTML === html) return;
    const focused = document.activeElement && at.contains(document.activeElement) ? document.activeElement.id : "";
    at.innerHTML = html;
    if (focused) document.getElementById(focused)?.focus();
  };
  let heard = Date.now(), said = "", spoken = 0, source;
  const speak = () => {
    const now = document.querySelector(".said")?.textContent ?? "";
    if (now === said || Date.now() - spoken < 1000) return;
    said = now; spoken = Date.now();
    const warn = document.body.dataset.mood === "warning";
    document.getElementById(warn ? "assertive" : "polite").textContent = now;
  };
  const take = (event) => {
    heard = Date.now();
    const parts = JSON.parse(event.data);
    for (const [id, html] of Object.entries(parts)) {
      if (id === "mood") {
        const before = document.body.dataset.mood;
        document.body.dataset.mood = html;
        if (html === "warning" && before !== "warning") scrollTo(0, 0);
      } else put(id, html);
    }
    speak();
  };
  const open = () => {
    source?.close();
    source = new EventSource("/events");
    source.onmessage = take;
  };
  open();
  setInterval(() => {
    if (Date.now() - heard > 2500 && document.body.dataset.mood !== "lost") {
      document.body.dataset.mood = "lost";
      put("state", LOST);
      speak();
    }
    if (source.readyState === EventSource.CLOSED) open();
  }, 500);
  document.addEventListener("submit", (event) => {
    event.preventDefault();
    fetch("/api/v1/acknowledge", { method: "POST", headers: { "Content-Type": "application/json" }, body: '{"alert":"all"}' });
  });
})();
