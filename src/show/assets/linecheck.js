// Keeps the bars and the step fresh. A part is put in anew only when it has changed, so that a form that is being
// filled in stays as it is.
"use strict";
(() => {
  let heard = Date.now(), source;
  const open = () => {
    source?.close();
    heard = Date.now();
    source = new EventSource("/events?page=linecheck");
    source.onmessage = (event) => {
      heard = Date.now();
      for (const [id, html] of Object.entries(JSON.parse(event.data))) {
        const at = document.getElementById(id);
        if (at && at.dataset.last !== html) {
          at.innerHTML = html;
          at.dataset.last = html;
        }
      }
    };
  };
  open();
  setInterval(() => {
    if (Date.now() - heard < 2000) return;
    document.getElementById("bars").textContent = "No contact with the listening program.";
    open();
  }, 1000);
})();
