// Keeps ages going; its clock is the server's, by data-now, and by live.js where there is a stream.
// The steps of an age are those of domain/local_times.py `lasting`.
(() => {
  "use strict";
  let offset = Number(document.currentScript.dataset.now) - Date.now();

  function lasting(ms) {
    const seconds = Math.max(Math.floor(ms / 1000), 0);
    if (seconds < 60) return `${seconds} s`;
    const minutes = Math.floor(seconds / 60);
    if (minutes < 60) return `${minutes} min`;
    const hours = Math.floor(minutes / 60);
    if (hours < 48) return minutes % 60 ? `${hours} h ${minutes % 60} min` : `${hours} h`;
    return `${Math.floor(hours / 24)} days`;
  }

  function tick() {
    for (const element of document.querySelectorAll("time[data-age]")) {
      const words = lasting(Date.now() + offset - Date.parse(element.dateTime));
      const text = element.dataset.age === "ago" ? `${words} ago` : words;
      if (element.textContent !== text) element.textContent = text;
    }
  }

  setInterval(tick, 1000);
  tick();
  document.addEventListener("htmx:after:swap", tick);
  document.addEventListener("clock", (event) => {
    offset = event.detail - Date.now();
  });
})();
