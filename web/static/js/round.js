// Finds, chooses and orders the sites of the Morning round in place, by the rules of
// routes/round_order.py, and keeps the address in step so that it can be sent to somebody.
//
// What is hidden is hidden by a style sheet of its own, never by the rows themselves: the live
// stream swaps rows whole, and a swapped row must neither show up nor move while someone reads.
// What a swap has changed is sorted and chosen again only when the person asks.
(() => {
  "use strict";
  const form = document.getElementById("tools");
  if (!form) return;
  const table = document.querySelector(".sites");
  const said = document.getElementById("shown");
  const clear = document.getElementById("clear");
  const again = document.getElementById("again");
  const field = (name) => form.querySelector(`[name=${name}]`);
  const search = field("find");
  const masts = [...table.querySelectorAll("tbody[data-mast]")].map((body) => ({
    body,
    keys: body.dataset.sites
      ? body.dataset.sites.split(" ")
      : [...body.querySelectorAll("tr[id^='site-']")].map((row) => row.id.slice(5)),
  }));
  const keys = masts.flatMap((mast) => mast.keys);
  const loose = table.querySelector("tbody:not([data-mast])") ?? document.createElement("tbody");
  loose.setAttribute("role", "rowgroup");
  const sheet = new CSSStyleSheet();
  let shown = new Set(keys);
  let order = table.classList.contains("loose") ? field("order").value : "file";

  const rowOf = (key) => document.getElementById(`site-${key}`);
  const nameOf = (row) => row.querySelector("th a").textContent;
  const folded = (text) => text.normalize("NFD").replace(/\p{M}/gu, "").toLowerCase();

  function asked() {
    const value = (name) => field(name)?.value ?? "";
    return {
      find: value("find").trim().replace(/\s+/g, " "),
      show: value("show"),
      area: value("area"),
      order: value("order"),
    };
  }

  const traits = (row) => (row.dataset.is ?? "").split(" ");

  function fits(row, wanted) {
    if (wanted.show !== "all" && !traits(row).includes(wanted.show)) return false;
    const area = row.dataset.area ?? "";
    if (wanted.area && area !== wanted.area) return false;
    const mast = row.querySelector("th").dataset.mast;
    const text = folded(`${nameOf(row)} ${row.id.slice(5)} ${area} ${mast}`);
    return folded(wanted.find).split(" ").every((word) => text.includes(word));
  }

  const chosen = (wanted) => new Set(keys.filter((key) => fits(rowOf(key), wanted)));

  // --- order: what is equal stays in file order -------------------------------------------

  const compare = new Intl.Collator(undefined, { numeric: true, sensitivity: "base" }).compare;
  const answered = (row) => row.querySelector(".contact time")?.dateTime ?? "";
  const orders = {
    worst: (row) => Number(row.dataset.rank ?? 100),
    name: nameOf,
    supply: (row) => Number(row.dataset.left ?? Infinity),
    contact: (row) => (traits(row).includes("paused") ? "9" : answered(row)),
  };

  function ordered(by) {
    if (!orders[by]) return keys;
    const value = new Map(keys.map((key) => [key, orders[by](rowOf(key))]));
    const less = (a, b) => (a < b ? -1 : Number(a > b));
    const rule = by === "name" ? compare : less;
    return [...keys].sort((a, b) => rule(value.get(a), value.get(b)));
  }

  const standing = () =>
    orders[order] ? [...loose.rows].map((row) => row.id.slice(5)) : keys;

  function place(by) {
    order = by;
    if (orders[by]) {
      loose.replaceChildren(...ordered(by).map(rowOf));
      table.tHead.after(loose);
    } else {
      for (const mast of masts) mast.body.append(...mast.keys.map(rowOf));
      loose.remove();
    }
    table.classList.toggle("loose", by in orders);
    for (const button of table.tHead.querySelectorAll("button")) {
      const on = button.dataset.order === by;
      button.value = on ? "file" : button.dataset.order;
      if (on) button.closest("th").setAttribute("aria-sort", "ascending");
      else button.closest("th").removeAttribute("aria-sort");
    }
  }

  // --- what is shown, and what is said of it ----------------------------------------------

  function hide() {
    const hidden = keys.filter((key) => !shown.has(key)).map((key) => `#site-${CSS.escape(key)}`);
    sheet.replaceSync(hidden.length ? `${hidden.join(",")}{display:none!important}` : "");
    for (const { body, keys: here } of masts) {
      body.hidden = order !== "file" || (here.length > 0 && !here.some((key) => shown.has(key)));
    }
  }

  function words(wanted) {
    const word = (name) => field(name).selectedOptions[0].textContent.toLowerCase();
    const narrows = wanted.find || wanted.area || wanted.show !== "all";
    let count = keys.length === 1 ? "1 site" : `${keys.length} sites`;
    if (narrows) count = shown.size ? `${shown.size} of ${count}` : `No site of ${keys.length} fits`;
    const parts = [];
    if (wanted.show !== "all") parts.push(word("show"));
    if (wanted.area) parts.push(`in ${wanted.area}`);
    if (wanted.find) parts.push(`found by “${wanted.find}”`);
    if (wanted.order !== "file") parts.push(word("order"));
    clear.hidden = !narrows;
    clear.textContent = shown.size ? "Show every site" : "Clear the search";
    return parts.length ? `${count}: ${parts.join(", ")}.` : `${count}.`;
  }

  function show() {
    const wanted = asked();
    shown = chosen(wanted);
    hide();
    said.textContent = words(wanted);
    again.hidden = true;
    const plain = { find: "", show: "all", area: "", order: "file" };
    const query = new URLSearchParams(
      Object.entries(wanted).filter(([name, value]) => value !== plain[name]),
    ).toString();
    history.replaceState(history.state, "", query ? `/?${query}` : "/");
  }

  function showIn(by) {
    field("order").value = by;
    place(by);
    show();
  }

  function everything() {
    search.value = "";
    field("show").value = "all";
    if (field("area")) field("area").value = "";
    show();
  }

  // --- what a person does -----------------------------------------------------------------

  form.addEventListener("input", (event) => {
    if (event.target.name === "order") showIn(event.target.value);
    else show();
  });
  // Return in the search goes to the first site found; a column's head is a button of the form.
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    if (event.submitter?.dataset.order) {
      showIn(event.submitter.value);
      return;
    }
    const first = standing().find((key) => shown.has(key));
    if (first) rowOf(first).querySelector("th a").focus();
  });
  search.addEventListener("keydown", (event) => {
    if (event.key !== "Escape" || !search.value) return;
    event.preventDefault();
    search.value = "";
    show();
  });
  document.addEventListener("keydown", (event) => {
    // With a modifier: a key alone would fire for people who speak to their computer (WCAG 2.1.4).
    if (event.key !== "/" || !event.ctrlKey) return;
    event.preventDefault();
    search.focus();
    search.select();
  });
  clear.addEventListener("click", (event) => {
    event.preventDefault();
    everything();
    search.focus();
  });
  again.addEventListener("click", () => {
    showIn(order);
    search.focus();
  });

  // --- what the stream does ---------------------------------------------------------------

  document.addEventListener("htmx:after:swap", () => {
    const now = chosen(asked());
    const other = now.size !== shown.size || [...now].some((key) => !shown.has(key));
    again.hidden = !(other || (order === "worst" && moved()));
  });

  function moved() {
    const stands = standing();
    return ordered(order).some((key, place) => key !== stands[place]);
  }

  document.adoptedStyleSheets = [...document.adoptedStyleSheets, sheet];
  shown = chosen(asked());
  hide();
  for (const key of keys) rowOf(key).hidden = false;
})();
