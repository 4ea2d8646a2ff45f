// Logging by keyboard: clips one after another, one key for each value. The keys count only while the list
// of values has the focus (WCAG 2.2, 2.1.4), and can be turned off.

import { api, ask, attempt, button, carried, make, on, pick, picks, say, sayTrouble } from "./core.js";
import { Entry, linesOf, sayNotSaved } from "./entry.js";
import { label } from "./timecode.js";

const desk = pick("#desk");
const PAGE = 100;
const DIGITS = "1234567890";
const fields = carried("#fields").map(([name, title, terms]) => ({ name, title, terms }));
const round = desk.dataset.round.split(" ");
// The clock of the shoot, wherever the browser stands; this language's form is year-month-day.
const clock = new Intl.DateTimeFormat("sv", { dateStyle: "short", timeStyle: "medium", timeZone: desk.dataset.zone });
const keys = pick("#keys"), still = pick("#still");
const clips = [], entries = new Map(), undone = [], suggested = new Map();
let next = api("/clips", { q: desk.dataset.q, limit: PAGE });
let total = Number(desk.dataset.total), at = 0, lit = 0, last = null, beforeLast = null, reading = null;

// -- clips --

async function load() {
  const { data } = await ask(next);
  clips.push(...data.items);
  next = data.next;
  total = Math.max(total, clips.length);
}

/** Read on before it is needed. */
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

// -- what is shown --

function show() {
  const clip = clips[at];
  pick("#place").textContent = `Clip ${at + 1} of ${total}`;
  pick("#which").textContent = `${clip.name.split("/").at(-1)}, reel ${clip.reel}`;
  const length = clip.seconds ? `${Number(clip.seconds).toFixed(1)} s` : "";
  const shot = clip.shot_at ? clock.format(new Date(clip.shot_at)) : "time not known";
  pick("#facts").textContent = [clip.camera ? `camera ${clip.camera}` : "", clip.lens ?? "", shot, startOf(clip), length].filter(Boolean).join(" · ");
  pick("#open").href = `/clips/${clip.id}`;
  showStills(clip);
  light(0);
  showTexts();
  rest(clip.id);
  const after = clips[at + 1]?.stills;
  if (after?.length) new Image().src = sized(after[Math.floor(after.length / 2)]);
  readOn();
}

/** For a reload. The browser has much to do with it, so not while somebody types. */
function keepPlace() {
  const hash = `#${clips[at].id}`;
  if (location.hash !== hash) history.replaceState(null, "", hash);
}

/** The address, and what measuring suggests for fields that nobody has filled: shown as such. */
async function rest(clip) {
  await new Promise((rested) => setTimeout(rested, 300)); // who types on does not wait for these
  if (clip !== clips[at].id) return;
  keepPlace();
  if (suggested.has(clip)) return;
  suggested.set(clip, []);
  const { data } = await ask(`/api/v1/clips/${clip}/suggestions`).catch(() => ({ data: { items: [] } }));
  suggested.set(clip, data.items);
  if (clip === clips[at].id) showEntry();
}

const hintFor = (field) => suggested.get(clips[at].id)?.find((one) => one.field === field && !entry().get(field));

function accept() {
  const found = fields.map((field) => hintFor(field.name)).filter(Boolean);
  if (!found.length) { say("Nothing more is suggested for this clip."); return; }
  set(Object.fromEntries(found.map((one) => [one.field, one.value])));
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
    const look = () => lookAt(one, clip);
    const small = make("img", { src: sized(one, 320), alt: "", width: one.width, height: one.height });
    const choice = button({ tabindex: order(), "aria-label": `Still at frame ${one.frame}` }, look, small);
    on(choice, "pointerenter", look);
    return make("li", {}, choice);
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
    const choose = () => { give(field, code); keys.focus(); };
    return make("li", {}, button({ tabindex: order(), title: about, "data-code": code, "aria-pressed": "false" }, choose, key ? make("kbd", { text: key }) : "", make("span", { text: title })));
  }));
  showEntry();
}

function showEntry() {
  const one = entry();
  const code = one.get(fields[lit].name);
  picks("#values button").forEach((choice) => choice.setAttribute("aria-pressed", choice.dataset.code === code));
  picks("#fieldlist button").forEach((row, index) => {
    const field = fields[index], value = pick(".v", row), now = one.get(field.name);
    const guess = hintFor(field.name), title = (code) => field.terms.find(([one]) => one === code)?.[1] ?? code;
    value.textContent = now ? title(now) : guess ? `${title(guess.value)}? ${Math.round(guess.confidence * 100)} %` : "–";
    value.classList.toggle("suggested", Boolean(guess));
    value.classList.toggle("unsaved", one.unsaved(field.name));
    row.setAttribute("aria-pressed", index === lit);
  });
  showSaved();
  if (!texts().includes(document.activeElement)) showTexts();
}

/** Of every clip that was edited, not only of this one: who reads "Saved." may close the lid. */
function showSaved() {
  const open = [...entries.values()].some((one) => one.busy || Object.keys(one.waiting).length > 0);
  if (!open && last !== null) keepPlace();
  pick("#saved").textContent = open ? "Saving…" : entry().stored.version ? "Saved." : "Nothing is logged yet.";
}

const texts = () => picks(".entry input, .entry textarea");

function showTexts() {
  for (const text of texts()) {
    const value = entry().get(text.name);
    text.value = Array.isArray(value) ? value.join("\n") : (value ?? "");
  }
}

// -- what a key does --

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

const acts = { before: () => go(-1), after: () => go(1), again, undo, accept };
const named = { Enter: acts.after, Backspace: acts.before, "+": again, "<": undo, "=": accept, " ": () => light(lit + 1), "-": () => set({ [fields[lit].name]: null }) };

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

// -- beginning --

on(keys, "keydown", onKey);
on(pick("#keys-on"), "change", () => picks("#values button, #fieldlist button, #film button").forEach((one) => { one.tabIndex = order(); }));
picks("#fieldlist button").forEach((row, index) => on(row, "click", () => { light(index); keys.focus(); }));
on(picks("[data-act]"), "click", ({ currentTarget }) => { acts[currentTarget.dataset.act](); keys.focus(); });
on(texts(), "change", ({ target }) => set({ [target.name]: "lines" in target.dataset ? linesOf(target.value) : target.value }));
on(texts(), "keydown", (event) => { if (event.key === "Escape") keys.focus(); });
on(window, "beforeunload", (event) => { if ([...entries.values()].some((one) => one.busy)) event.preventDefault(); });

attempt(async () => {
  await load();
  const wanted = Number(location.hash.slice(1));
  for (let pages = 0; wanted && next && pages < 10 && !clips.some((one) => one.id === wanted); pages += 1) await load();
  at = Math.max(0, clips.findIndex((one) => one.id === wanted));
  if (!clips.length) { say("No clip is left here."); return; }
  show();
  keys.focus({ preventScroll: true });
  desk.dataset.ready = "1";
});
