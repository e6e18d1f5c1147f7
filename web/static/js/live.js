// Keeps ages going between updates, and says so when the page is no longer live.
// The steps of an age are those of routes/formats.py `lasting`.
(() => {
  "use strict";
  const SILENT_MS = 25000; // the server speaks at least every 10 s

  const live = document.getElementById("live");
  const link = document.getElementById("link");
  let offset = Number(live.dataset.now) - Date.now();
  let heard = Date.now();
  let asOf = live.dataset.clock; // the server's wall clock when it last spoke
  let lost = false;

  function lasting(ms) {
    const seconds = Math.max(Math.floor(ms / 1000), 0);
    if (seconds < 60) return `${seconds} s`;
    const minutes = Math.floor(seconds / 60);
    if (minutes < 60) return `${minutes} min`;
    const hours = Math.floor(minutes / 60);
    if (hours < 48) return minutes % 60 ? `${hours} h ${minutes % 60} min` : `${hours} h`;
    return `${Math.floor(hours / 24)} days`;
  }

  function age(element, now) {
    const words = lasting(now - Date.parse(element.dateTime));
    const text = element.dataset.age === "ago" ? `${words} ago` : words;
    if (element.textContent !== text) element.textContent = text;
  }

  function tick() {
    const now = Date.now() + offset;
    for (const element of document.querySelectorAll("time[data-age]")) age(element, now);
    if (!document.hidden && Date.now() - heard > SILENT_MS) lose();
  }

  function lose() {
    if (lost) return;
    lost = true;
    link.textContent = `Not live: what stands here is as of ${asOf}. Trying again.`;
    link.setAttribute("role", "alert");
    link.hidden = false;
    document.body.classList.add("not-live");
  }

  function hear() {
    heard = Date.now();
    if (!lost) return;
    lost = false;
    link.hidden = true;
    document.body.classList.remove("not-live");
  }

  live.addEventListener("beat", (event) => {
    const [now, clock] = event.detail.data.split(" ");
    offset = Number(now) - Date.now();
    asOf = clock;
    hear();
  });
  live.addEventListener("anew", () => {
    document.getElementById("changed").hidden = false;
  });
  live.addEventListener("signed-out", () => {
    const said = document.getElementById("signed-out");
    said.setAttribute("role", "alert");
    said.hidden = false;
    document.body.classList.add("not-live");
    live.remove(); // the stream is not to be opened again
  });
  document.addEventListener("htmx:sse:after:message", hear);
  document.addEventListener("htmx:after:swap", tick);
  document.addEventListener("htmx:sse:error", lose);
  // What was asked for and refused comes as a page; its sentence is said where the answer would be.
  document.addEventListener("htmx:response:error", (event) => {
    const said = document.getElementById("job");
    if (!said) return;
    const page = new DOMParser().parseFromString(event.detail.ctx.text, "text/html");
    const lead = page.querySelector(".lead");
    said.textContent = lead ? lead.textContent : "This was refused. Load the page anew.";
  });
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden) heard = Math.max(heard, Date.now() - SILENT_MS + 5000);
  });
  setInterval(tick, 1000);
  tick();
})();
