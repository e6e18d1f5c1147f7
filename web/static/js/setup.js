// Keeps what is typed into a setup form until it is stored, shows only the groups that fit a
// point's kind, and lets a sentence that arrives move nothing a person looks at.
//
// Nothing here is needed: without scripts the same form goes by POST. Codes of locks are never
// kept in the browser.
(() => {
  "use strict";
  const form = document.querySelector("form.setup");
  if (!form) return;
  const place = `setup ${location.pathname}${location.search.replace(/[?&]stored=\d+/, "")}`;
  const offer = document.getElementById("typed-before");
  const inputs = () =>
    [...form.elements].filter(
      (one) => one.name && one.type !== "hidden" && !("secret" in one.dataset) && !one.name.startsWith("try."),
    );
  const valueOf = (one) => (one.type === "checkbox" ? String(one.checked) : one.value);
  const typed = () => Object.fromEntries(inputs().map((one) => [one.name, valueOf(one)]));
  const initial = typed();

  // --- never losing what is typed ---------------------------------------------------------

  function kept() {
    try {
      return JSON.parse(sessionStorage.getItem(place) ?? "null");
    } catch {
      return null;
    }
  }

  const forget = () => sessionStorage.removeItem(place);

  function keep() {
    const now = typed();
    const changed = Object.keys(now).some((name) => now[name] !== initial[name]);
    if (!changed) return;
    try {
      sessionStorage.setItem(place, JSON.stringify({ at: Date.now(), fields: now }));
    } catch {
      // The browser keeps nothing here; the form itself still holds it.
    }
  }

  function putBack(fields) {
    for (const one of inputs()) {
      if (!(one.name in fields)) continue;
      if (one.type === "checkbox") one.checked = fields[one.name] === "true";
      else one.value = fields[one.name];
    }
    form.dispatchEvent(new Event("change", { bubbles: true }));
    fit();
  }

  function ask() {
    const before = kept();
    if (!before || "sent" in form.dataset) return; // what was typed stands in the form already
    const differs = Object.keys(before.fields).some(
      (name) => name in initial && before.fields[name] !== initial[name],
    );
    const taken = JSON.parse(form.dataset.taken ?? "[]");
    const name = (before.fields.name ?? "").trim().toLowerCase();
    const tag = (before.fields.tag ?? "").trim().toLowerCase();
    if (!differs || ("new" in form.dataset && taken.includes(tag || name))) {
      forget();
      return;
    }
    const at = new Date(before.at);
    const clock = `${String(at.getHours()).padStart(2, "0")}:${String(at.getMinutes()).padStart(2, "0")}`;
    offer.querySelector("p").textContent = `You typed here at ${clock} and did not store it.`;
    offer.hidden = false;
    offer.addEventListener("click", (event) => {
      const what = event.target.dataset.do;
      if (!what) return;
      if (what === "put") putBack(before.fields);
      else forget();
      offer.hidden = true;
      form.querySelector("input:not([type=hidden]), select")?.focus();
    });
  }

  form.addEventListener("input", keep);
  form.addEventListener("change", keep);

  // --- what fits a point's kind -------------------------------------------------------------

  const isUsed = (group) =>
    [...group.querySelectorAll("input, select, textarea")].some((one) => one.value) ||
    [...group.querySelectorAll(".told")].some((one) => one.textContent.trim());

  function fit() {
    const chosen = form.elements.namedItem("kind")?.value;
    if (chosen === undefined) return;
    const kind = chosen || form.dataset.kind;
    for (const group of form.querySelectorAll("details[data-fits]")) {
      const fits = !kind || group.dataset.fits.split(" ").includes(kind);
      group.hidden = !fits && !isUsed(group);
      if (kind && fits) group.open = true;
    }
  }

  form.elements.namedItem("kind")?.addEventListener("change", fit);

  // --- sentences that arrive ------------------------------------------------------------------

  let held = null;
  const top = () => {
    const one = document.activeElement;
    return form.contains(one) ? { one, at: one.getBoundingClientRect().top } : null;
  };
  document.addEventListener("htmx:before:swap", () => {
    held = top();
  });
  document.addEventListener("htmx:after:swap", () => {
    for (const field of form.querySelectorAll(".field")) {
      const told = field.querySelector(".told")?.textContent.trim();
      for (const one of field.querySelectorAll("input, select, textarea")) {
        if (told) one.setAttribute("aria-invalid", "true");
        else one.removeAttribute("aria-invalid");
      }
    }
    if (held && document.activeElement === held.one) {
      scrollBy(0, held.one.getBoundingClientRect().top - held.at);
    }
  });

  document.querySelector(".wrong a")?.focus();
  ask();
  fit();
})();
