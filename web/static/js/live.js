// Says so when the page is no longer live, and tells ages.js the server's clock.
(() => {
  "use strict";
  const SILENT_MS = 25000; // the server speaks at least every 10 s

  const live = document.getElementById("live");
  const link = document.getElementById("link");
  let heard = Date.now();
  let asOf = live.dataset.clock; // the server's wall clock when it last spoke
  let lost = false;

  function tick() {
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
    document.dispatchEvent(new CustomEvent("clock", { detail: Number(now) })); // for ages.js
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
