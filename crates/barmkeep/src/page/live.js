// Keeps a page up to date: the daemon sends the inside of each part that changed.
"use strict";
(() => {
  const main = document.querySelector("main[data-live]");
  const note = document.getElementById("live");
  if (!main || !note || !window.EventSource) return;
  let feed = null;

  const say = (text) => { if (note.textContent !== text) note.textContent = text; };

  const put = (event) => {
    const part = document.getElementById(event.lastEventId);
    if (!part || !main.contains(part)) return;
    const open = new Set([...part.querySelectorAll("details[open]")].map((item) => item.id));
    const focused = part.contains(document.activeElement) ? document.activeElement.id : "";
    const fresh = document.createElement("template");
    fresh.innerHTML = event.data;
    for (const item of fresh.content.querySelectorAll("details")) {
      if (open.has(item.id)) item.open = true;
    }
    part.replaceChildren(fresh.content);
    if (focused) document.getElementById(focused)?.focus({ preventScroll: true });
  };

  const listen = () => {
    if (feed) return;
    feed = new EventSource(main.dataset.live);
    feed.addEventListener("part", put);
    feed.onopen = () => say("Updates by itself.");
    feed.onerror = () => say("No connection to the daemon; trying again.");
  };

  const rest = () => {
    if (feed) feed.close();
    feed = null;
  };

  document.addEventListener("visibilitychange", () => (document.hidden ? rest() : listen()));
  window.addEventListener("pagehide", rest);
  listen();
})();
