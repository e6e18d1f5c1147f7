// Keeps the list of alarms current without taking it out of anybody's hand, lets it be walked
// by keys while the focus is in it, and sounds, if asked to, while somebody is called.
//
// The stream says only that something is new; the lists are then fetched and put in place.
// While the list is in use (focus or pointer in it, rows selected, a note begun, a fold open)
// no row moves, comes or goes: what is new is told, and shown when the person says so.
(() => {
  "use strict";
  const AGAIN_MS = 2000; // the lists are fetched at most so often
  const TONE_MS = 30000; // and a tone is given at most so often
  const SAID_MS = 60000; // what was told as new is old news
  const HAND_MS = 5000; // a pointer that has not moved for so long is not at work
  const KEY = "alarm-sound";

  const list = document.getElementById("alarm-list");
  const form = document.getElementById("acts");
  const note = form?.querySelector("[name=note]");
  const said = document.getElementById("alarm-said");
  const show = document.getElementById("alarm-show");
  let newest = null; // the lists as they came last, not shown as a whole yet
  let known = document.getElementById("alarm-news").dataset.version;
  let fetchedAt = 0;
  let fetching = false;
  let movedAt = 0;
  let saidAt = 0;

  const rows = (root) => [...root.querySelectorAll("#alarm-list > li")];
  const plural = (n, one) => `${n} ${one}${n === 1 ? "" : "s"}`;
  const name = (row) => row.querySelector(".pick")?.textContent.replace("Select ", "") ?? "";

  const focus = (row) => row?.querySelector(form ? ".pick input" : ".one").focus();

  // --- in whose hand it is -------------------------------------------------------------

  function inHand(row) {
    const isSet = row.querySelector("input:checked, details[open]") !== null;
    return isSet || row.contains(document.activeElement);
  }

  function inUse() {
    const pointed = list.matches(":hover") && Date.now() - movedAt < HAND_MS;
    return pointed || Boolean(note?.value) || rows(document).some(inHand);
  }

  // --- putting in place ----------------------------------------------------------------

  // Makes an element like another, without touching what a person has set: ticks, folds, text.
  function become(old, made) {
    for (const { name: key, value } of [...made.attributes])
      if (old.getAttribute(key) !== value && key !== "open") old.setAttribute(key, value);
    for (const { name: key } of [...old.attributes])
      if (!made.hasAttribute(key) && key !== "open") old.removeAttribute(key);
    const ours = [...old.childNodes];
    const theirs = [...made.childNodes];
    theirs.forEach((next, n) => {
      const mine = ours[n];
      if (!mine) old.append(next);
      else if (mine.nodeName !== next.nodeName) mine.replaceWith(next);
      else if (mine.nodeType === Node.ELEMENT_NODE) become(mine, next);
      else if (mine.data !== next.data) mine.data = next.data;
    });
    ours.slice(theirs.length).forEach((mine) => mine.remove());
  }

  function refresh(wanted) {
    for (const row of rows(document)) {
      const made = wanted.get(row.id);
      if (made) become(row, made.cloneNode(true));
      else end(row);
    }
  }

  // A row whose alarm is over while somebody has the list in hand: it says so and stays.
  const ENDED = "No longer in this list: it was acknowledged and is normal again, or is held back.";

  function end(row) {
    if (row.classList.contains("gone")) return;
    row.classList.add("gone");
    delete row.dataset.loud;
    row.querySelector(".when").textContent = ENDED;
  }

  function place(wanted) {
    for (const row of rows(document)) if (!wanted.has(row.id) && !inHand(row)) row.remove();
    let after = null; // what is in hand stays where it is; the others are put around it
    for (const [id, made] of wanted) {
      const row = document.getElementById(id) ?? made.cloneNode(true);
      const next = after ? after.nextElementSibling : list.firstElementChild;
      if (row !== next && !(row.isConnected && inHand(row))) list.insertBefore(row, next);
      after = row;
    }
  }

  function hold(lists) {
    const held = document.getElementById("alarm-held");
    const made = lists.querySelector("#alarm-held");
    if (!held.contains(document.activeElement)) become(held, made.cloneNode(true));
  }

  function settle(whole) {
    if (!newest) return;
    const wanted = new Map(rows(newest).map((row) => [row.id, row]));
    const fresh = [...wanted.values()].filter((row) => !document.getElementById(row.id));
    refresh(wanted);
    hold(newest);
    if (whole || !inUse()) {
      place(wanted);
      newest = null;
      if (fresh.length && show.hidden) tell(fresh, "");
      else if (!show.hidden) said.textContent = ""; // they were told already
      show.hidden = true;
    } else if (fresh.length) {
      show.hidden = false;
      tell(fresh, " The list stays as it is while you use it.");
    }
  }

  function tell(fresh, more) {
    const names = fresh.length <= 3 ? `: ${fresh.map(name).filter(Boolean).join("; ")}` : "";
    const text = `${plural(fresh.length, "new alarm")}${names === ": " ? "" : names}.${more}`;
    if (said.textContent !== text) said.textContent = text;
    saidAt = Date.now();
  }

  async function look() {
    const mark = document.getElementById("alarm-news").dataset.version;
    if (fetching || mark === known || Date.now() - fetchedAt < AGAIN_MS) return;
    fetching = true;
    try {
      const answer = await fetch("/alarms/now", { headers: { "hx-request": "true" } });
      if (!answer.ok || answer.redirected) return;
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      newest = page.body;
      known = mark;
      settle(false);
    } catch {
      return; // live.js says that the page is not live
    } finally {
      fetching = false;
      fetchedAt = Date.now();
    }
  }

  show.addEventListener("click", () => {
    const first = newest && rows(newest).find((row) => !document.getElementById(row.id));
    settle(true);
    if (first) focus(document.getElementById(first.id));
  });
  list.addEventListener("pointermove", () => { movedAt = Date.now(); });
  document.addEventListener("htmx:after:swap", look);

  // --- keys, only while the focus is in the list ----------------------------------------

  const STEPS = { j: 1, ArrowDown: 1, k: -1, ArrowUp: -1 };

  list.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const row = event.target.closest("#alarm-list > li");
    if (!row) return;
    if (event.key in STEPS) step(row, STEPS[event.key], event);
    else if (event.key === "a" && form) acknowledge(row, event);
  });

  function step(row, by, event) {
    event.preventDefault();
    const next = by > 0 ? row.nextElementSibling : row.previousElementSibling;
    focus(next);
  }

  function acknowledge(row, event) {
    event.preventDefault();
    const chosen = rows(document).some((one) => one.querySelector("input:checked"));
    if (!chosen && !row.classList.contains("calls")) {
      refuse("This one is acknowledged already.");
      return;
    }
    if (!chosen) row.querySelector("input").checked = true;
    form.requestSubmit(form.querySelector("button[type=submit]"));
  }

  // --- acts ---------------------------------------------------------------------------

  const wrong = document.getElementById("acts-said");

  // The acts may be off the screen of who goes through the list by keys.
  function refuse(why) {
    wrong.textContent = why;
    wrong.scrollIntoView({ block: "nearest" });
  }

  async function act(button) {
    const sent = new FormData(form);
    const to = button?.getAttribute("formaction") ?? form.getAttribute("action");
    const headers = { "hx-request": "true" };
    const answer = await fetch(to, { method: "POST", body: sent, headers });
    if (answer.status !== 204) {
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const lead = page.querySelector(".lead");
      throw new Error(lead?.textContent ?? "This was refused. Load the page anew.");
    }
    const done = new Set(sent.getAll("alarm"));
    for (const row of rows(document)) {
      const box = row.querySelector("input");
      if (box && done.has(box.value)) box.checked = false;
    }
    if (note.value === sent.get("note")) note.value = "";
    known = "";
    fetchedAt = 0;
    look();
  }

  form?.addEventListener("submit", (event) => {
    event.preventDefault();
    wrong.textContent = "";
    act(event.submitter).catch((error) => refuse(error.message));
  });

  const every = document.getElementById("select-all");
  every?.addEventListener("click", () => {
    const boxes = document.querySelectorAll("#alarm-list > .calls:not(.gone) input");
    for (const box of boxes) box.checked = true;
  });

  // --- sound ----------------------------------------------------------------------------

  const button = document.getElementById("sound");
  const heard = document.getElementById("sound-said");
  const KEPT_BACK = "The browser keeps the sound back until you click or press a key on this page.";
  let on = false;
  let sounding = null;
  let tonedAt = 0;

  function remembered() {
    try { return localStorage.getItem(KEY) === "on"; } catch { return false; }
  }

  function remember() {
    try { localStorage.setItem(KEY, on ? "on" : "off"); } catch { /* it is off the next time */ }
  }

  function label() {
    button.setAttribute("aria-pressed", String(on));
    if (!on) heard.textContent = "Off: no tone here.";
  }

  async function wake() {
    const Context = window.AudioContext;
    if (!Context) { heard.textContent = "This browser makes no sound."; return false; }
    if (!sounding && navigator.userActivation?.hasBeenActive === false) {
      heard.textContent = KEPT_BACK;
      return false;
    }
    sounding ??= new Context();
    // Where a page may not sound before it was clicked, resume neither fails nor ends.
    if (sounding.state !== "running")
      await Promise.race([sounding.resume(), new Promise((done) => setTimeout(done, 500))]);
    const awake = sounding.state === "running";
    heard.textContent = awake
      ? "On: a short tone while an urgent or high one is not acknowledged, every 30 s at most."
      : KEPT_BACK;
    return awake;
  }

  function tone() {
    const from = sounding.currentTime;
    const loudness = sounding.createGain();
    loudness.gain.setValueAtTime(0, from);
    loudness.gain.linearRampToValueAtTime(0.2, from + 0.02);
    loudness.gain.linearRampToValueAtTime(0, from + 0.4);
    const source = sounding.createOscillator();
    source.frequency.setValueAtTime(660, from);
    source.frequency.setValueAtTime(880, from + 0.2);
    source.connect(loudness).connect(sounding.destination);
    source.start(from);
    source.stop(from + 0.45);
    tonedAt = Date.now();
    button.dataset.tones = String(Number(button.dataset.tones ?? 0) + 1);
  }

  async function sound() {
    const calls = document.querySelector("[data-loud]") ?? newest?.querySelector("[data-loud]");
    if (!on || !calls || Date.now() - tonedAt < TONE_MS) return;
    tonedAt = Date.now();
    try {
      if (await wake()) tone();
      else tonedAt = 0;
    } catch {
      heard.textContent = "The browser refuses to make a sound.";
    }
  }

  button.addEventListener("click", async () => {
    on = !on;
    remember();
    label();
    if (on) await wake();
    sound();
  });

  for (const kind of ["pointerdown", "keydown"])
    document.addEventListener(kind, () => { if (on && sounding?.state !== "running") sound(); });
  on = remembered();
  label();
  if (on) wake().catch(() => { heard.textContent = "The browser refuses to make a sound."; });
  button.hidden = false;
  document.getElementById("alarm-keys").hidden = false;
  if (every) every.hidden = false;
  setInterval(() => {
    look();
    if (newest && !inUse()) settle(true);
    if (show.hidden && Date.now() - saidAt > SAID_MS) said.textContent = "";
    sound();
  }, 1000);
})();
