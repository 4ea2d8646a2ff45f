// Logging by keyboard: clips one after another, one key for each value. The keys count only while the list
// of values has the focus (WCAG 2.2, 2.1.4), and can be turned off.

import { api, ask, carried, make, pick, picks, say, sayTrouble } from "./core.js";
import { Entry, linesOf, sayNotSaved } from "./entry.js";
import { label } from "./timecode.js";

const desk = pick("#desk");
if (desk) start();

function start() {
  const PAGE = 100;
  const DIGITS = "1234567890";
  const fields = carried("#fields").map(([name, title, terms]) => ({ name, title, terms }));
  const round = desk.dataset.round.split(" ");
  // The clock of the shoot, wherever the browser stands; this language's form is year-month-day.
  const clock = new Intl.DateTimeFormat("sv", { dateStyle: "short", timeStyle: "medium", timeZone: desk.dataset.zone });
  const keys = pick("#keys"), still = pick("#still");
  const clips = [], entries = new Map(), undone = [];
  let next = api("/clips", { q: desk.dataset.q, limit: PAGE });
  let total = Number(desk.dataset.total), at = 0, lit = 0, last = null, beforeLast = null, reading = null;

  // -- clips

  async function load() {
    const { data } = await ask(next);
    clips.push(...data.items);
    next = data.next;
    total = Math.max(total, clips.length);
  }

  /** Read on before it is needed; a person who holds a key down never waits for a page. */
  function readOn() {
    if (next && !reading && at > clips.length - PAGE / 2) {
      reading = load().catch(sayTrouble).finally(() => { reading = null; });
    }
  }

  function entryOf(clip) {
    if (!entries.has(clip.id)) {
      const events = {
        changed: (entry) => { if (entry.clip === clips[at]?.id) showEntry(); else showSaved(); },
        failed: (entry, error) => {
          const where = entry.clip === clips[at]?.id ? "" : ` (${clips.find((one) => one.id === entry.clip)?.name})`;
          say(sayNotSaved(error) + where, { bad: true });
        },
      };
      entries.set(clip.id, new Entry(clip.id, clip.log, `"${clip.log.version}"`, events));
    }
    return entries.get(clip.id);
  }

  const entry = () => entryOf(clips[at]);

  function set(values, { remember = true } = {}) {
    const one = entry();
    if (remember) undone.push([at, Object.fromEntries(Object.keys(values).map((name) => [name, one.get(name)]))]);
    one.set(values);
    if (last !== clips[at].id) [last, beforeLast] = [clips[at].id, last];
  }

  // -- what is shown

  function show() {
    const clip = clips[at];
    history.replaceState(null, "", `#${clip.id}`);
    pick("#place").textContent = `Clip ${at + 1} of ${total}`;
    pick("#which").textContent = `${clip.name.split("/").at(-1)}, reel ${clip.reel}`;
    const length = clip.seconds ? `${Number(clip.seconds).toFixed(1)} s` : "";
    const shot = clip.shot_at ? clock.format(new Date(clip.shot_at)) : "time not known";
    pick("#facts").textContent = [clip.camera ? `camera ${clip.camera}` : "", clip.lens ?? "", shot, startOf(clip), length].filter(Boolean).join(" · ");
    pick("#open").href = `/clips/${clip.id}`;
    showStills(clip);
    light(0);
    showTexts();
    const after = clips[at + 1]?.stills;
    if (after?.length) new Image().src = sized(after[Math.floor(after.length / 2)]);
    readOn();
  }

  function startOf(clip) {
    const [num, den] = (clip.rate ?? "").split("/").map(Number);
    return clip.start_frame === null || !num || clip.media !== "video" ? "" : label(clip.start_frame, num, den || 1, clip.drop_frame);
  }

  /** With the keys off, everything is reached by Tab. */
  const order = () => (pick("#keys-on").checked ? -1 : 0);

  const sized = (one, width = 640) => `${one.href}${one.href.includes("?") ? "&" : "?"}w=${width}`;

  function showStills(clip) {
    const middle = clip.stills[Math.floor(clip.stills.length / 2)];
    still.hidden = !middle;
    pick("#nothing").hidden = Boolean(middle);
    pick("#nothing").textContent = "no still";
    if (middle) lookAt(middle, clip);
    else still.removeAttribute("src");
    pick("#film").replaceChildren(...(clip.stills.length < 2 ? [] : clip.stills.map((one) => {
      const button = make("button", { type: "button", tabindex: order(), "aria-label": `Still at frame ${one.frame}` }, make("img", { src: sized(one, 320), alt: "", width: one.width, height: one.height }));
      button.addEventListener("click", () => lookAt(one, clip));
      button.addEventListener("pointerenter", () => lookAt(one, clip));
      return make("li", {}, button);
    })));
  }

  function lookAt(one, clip) {
    still.src = sized(one);
    still.alt = `Frame ${one.frame ?? ""} of ${clip.name.split("/").at(-1)}`;
  }

  function light(place) {
    lit = (place + fields.length) % fields.length;
    const field = fields[lit];
    pick("#lit").textContent = field.title;
    pick("#lit-key").textContent = lit < DIGITS.length ? `key ${DIGITS[lit]}` : "";
    pick("#values").replaceChildren(...field.terms.map(([code, title, about, key]) => {
      const button = make("button", { type: "button", tabindex: order(), title: about, "data-code": code, "aria-pressed": "false" }, key ? make("kbd", { text: key }) : "", make("span", { text: title }));
      button.addEventListener("click", () => { give(field, code); keys.focus(); });
      return make("li", {}, button);
    }));
    showEntry();
  }

  function showEntry() {
    const one = entry();
    const code = one.get(fields[lit].name);
    picks("#values button").forEach((button) => button.setAttribute("aria-pressed", String(button.dataset.code === code)));
    const rows = pick("#fieldlist");
    if (!rows.children.length) {
      rows.append(...fields.map((field, index) => {
        const button = make("button", { type: "button", tabindex: order() }, index < DIGITS.length ? make("kbd", { text: DIGITS[index] }) : make("span"), make("span", { text: field.title }), make("span", { class: "v" }));
        button.addEventListener("click", () => { light(index); keys.focus(); });
        return make("li", {}, button);
      }));
    }
    fields.forEach((field, index) => {
      const button = rows.children[index].firstChild, value = pick(".v", button);
      const now = one.get(field.name);
      value.textContent = now ? (field.terms.find(([code]) => code === now)?.[1] ?? now) : "–";
      value.classList.toggle("unsaved", one.unsaved(field.name));
      button.setAttribute("aria-pressed", String(index === lit));
    });
    showSaved();
    if (!texts().includes(document.activeElement)) showTexts();
  }

  /** Of every clip that was edited, not only of this one: who reads "Saved." may close the lid. */
  function showSaved() {
    const open = [...entries.values()].some((one) => one.busy || Object.keys(one.waiting).length > 0);
    pick("#saved").textContent = open ? "Saving…" : entry().stored.version ? "Saved." : "Nothing is logged yet.";
  }

  const texts = () => picks(".entry input, .entry textarea");

  function showTexts() {
    for (const text of texts()) {
      const value = entry().get(text.name);
      text.value = Array.isArray(value) ? value.join("\n") : (value ?? "");
    }
  }

  // -- what a key does

  function give(field, code) {
    set({ [field.name]: code });
    const place = round.indexOf(field.name);
    if (place >= 0 && place < round.length - 1) light(fields.findIndex((one) => one.name === round[place + 1]));
  }

  async function go(by) {
    document.activeElement?.blur?.(); // a text that is being written is saved first
    keys.focus();
    if (at + by < 0) { say("This is the first clip."); return; }
    if (at + by >= clips.length && reading) await reading;
    if (at + by >= clips.length) { say("That was the last clip."); return; }
    at += by;
    show();
  }

  /** All that was said of the clip edited last, save the note, which is of one clip alone. */
  function again() {
    const source = last === clips[at].id ? beforeLast : last;
    if (source === null) { say("There is no entry before this one to repeat."); return; }
    const from = entryOf(clips.find((one) => one.id === source));
    const names = [...fields.map((field) => field.name), "subject", "place", "scene", "people", "tags"];
    set(Object.fromEntries(names.map((name) => [name, from.get(name)])));
    showTexts();
  }

  function undo() {
    const taken = undone.pop();
    if (!taken) { say("There is nothing to take back."); return; }
    if (taken[0] !== at) { at = taken[0]; show(); }
    set(taken[1], { remember: false });
    const first = fields.findIndex((field) => field.name === Object.keys(taken[1])[0]);
    if (first >= 0) light(first);
    showTexts();
  }

  const acts = { before: () => go(-1), after: () => go(1), again, undo };
  const named = { Enter: acts.after, Backspace: acts.before, "+": again, "<": undo, " ": () => light(lit + 1), "-": () => set({ [fields[lit].name]: null }) };

  function onKey(event) {
    if (!pick("#keys-on").checked || event.metaKey || event.altKey) return;
    const key = event.key;
    let act = event.ctrlKey ? (key === "z" ? undo : null) : named[key];
    if (!act && !event.ctrlKey) {
      const term = fields[lit].terms.find(([, , , own]) => own === key);
      if (term) act = () => give(fields[lit], term[0]);
      else if (key && DIGITS.includes(key) && DIGITS.indexOf(key) < fields.length) act = () => light(DIGITS.indexOf(key));
    }
    if (!act) return;
    event.preventDefault();
    act();
  }

  // -- beginning

  keys.addEventListener("keydown", onKey);
  pick("#keys-on").addEventListener("change", () => picks("#values button, #fieldlist button, #film button").forEach((one) => { one.tabIndex = order(); }));
  picks("[data-act]").forEach((button) => button.addEventListener("click", () => { acts[button.dataset.act](); keys.focus(); }));
  for (const text of texts()) {
    text.addEventListener("change", () => set({ [text.name]: "lines" in text.dataset ? linesOf(text.value) : text.value }));
    text.addEventListener("keydown", (event) => { if (event.key === "Escape") keys.focus(); });
  }
  addEventListener("beforeunload", (event) => { if ([...entries.values()].some((one) => one.busy)) event.preventDefault(); });

  (async () => {
    try {
      await load();
      const wanted = Number(location.hash.slice(1));
      for (let pages = 0; wanted && next && pages < 10 && !clips.some((one) => one.id === wanted); pages += 1) await load();
      at = Math.max(0, clips.findIndex((one) => one.id === wanted));
      if (!clips.length) { say("No clip is left here."); return; }
      show();
      keys.focus({ preventScroll: true });
      desk.dataset.ready = "1";
    } catch (error) { sayTrouble(error); }
  })();
}
