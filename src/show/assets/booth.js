// Keeps the parts of the page fresh. Never shows old values as present: after 2 s without news it says so.
"use strict";
(() => {
  const LOST = '<h1 class="said">No contact with the listening program.</h1><p class="more">This page shows nothing now. Is the booth computer on? The stream itself may be fine.</p>';
  // What stays the same stays in place: a press of the button is never lost to a change of the text beside it.
  const match = (old, fresh) => {
    if (old.childNodes.length !== fresh.childNodes.length || [...old.childNodes].some((n, i) => n.nodeName !== fresh.childNodes[i].nodeName)) {
      old.replaceChildren(...fresh.childNodes);
      return;
    }
    old.childNodes.forEach((n, i) => {
      const f = fresh.childNodes[i];
      if (n.nodeType !== 1) {
        if (n.nodeValue !== f.nodeValue) n.nodeValue = f.nodeValue;
        return;
      }
      for (const { name } of [...n.attributes]) if (name !== "open" && !f.hasAttribute(name)) n.removeAttribute(name);
      for (const { name, value } of f.attributes) if (n.getAttribute(name) !== value) n.setAttribute(name, value);
      match(n, f);
    });
  };
  const put = (id, html) => {
    const at = document.getElementById(id);
    if (!at) return;
    const fresh = document.createElement("template");
    fresh.innerHTML = html;
    match(at, fresh.content);
  };
  let heard = Date.now(), opened = 0, said = "", spoken = 0, source;
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
    opened = Date.now();
    source = new EventSource("/events");
    source.onmessage = take;
  };
  open();
  setInterval(() => {
    if (Date.now() - heard > 1900 && document.body.dataset.mood !== "lost") {
      document.body.dataset.mood = "lost";
      put("state", LOST);
      speak();
    }
    // Anew, not on: a new stream begins with everything, an old one tells only what changed.
    if (document.body.dataset.mood === "lost" ? Date.now() - Math.max(opened, heard) > 1900 : source.readyState === EventSource.CLOSED) open();
  }, 100);
  document.addEventListener("submit", (event) => {
    event.preventDefault();
    fetch("/api/v1/acknowledge", { method: "POST", headers: { "Content-Type": "application/json" }, body: '{"alert":"all"}' });
  });
})();
