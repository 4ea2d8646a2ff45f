// Results that are narrowed in place; many of them are selected and logged in one edit, which can be taken
// back whole.

import { api, attempt, carried, count, make, on, onSubmit, pick, picks, post, Refused, say } from "./core.js";
import { again, browse } from "./browse.js";

const place = pick("#found"), form = pick("#many");
let within = "";
const boxes = () => picks('#found input[name="clip"]');
const field = pick("#many-field"), term = pick("#many-term"), text = pick("#many-text");
const fields = new Map(carried("[data-fields]", form).map(([name, label, terms]) => [name, { label, terms }]));
const all = pick("[data-all]", form), preview = pick("[data-preview]", form);
let whole = false, last = null, turn = 0, expect = null;

const chosen = () => boxes().filter((one) => one.checked).map((one) => Number(one.value));
const total = () => Number(pick("[data-total]")?.dataset.total ?? 0);
const meant = () => (whole ? { query: place.dataset.whole } : { clips: chosen() });
const accepts = () => field.value === "suggestions";
const adds = () => field.selectedOptions[0].dataset.adds; // names beside those that are there
const value = () => (fields.has(field.value) ? term.value : accepts() || text.value.trim());
const names = () => value().split(",").map((one) => one.trim()).filter(Boolean);
const edit = () => (accepts() ? {} : adds() ? { add: { [adds()]: names() } } : { set: { [field.value]: value() } });
const send = (more) => post(api(accepts() ? "/suggestions/accept" : "/changes"), { ...meant(), ...edit(), ...more });

function shown() {
  const terms = fields.get(field.value);
  term.hidden = !terms;
  text.hidden = Boolean(terms) || accepts();
  text.placeholder = adds() ? "Names, commas between" : "";
  pick("[type=submit]", form).textContent = adds() ? "Add it" : accepts() ? "Take them over" : "Set it";
  return terms ? `${terms.label} ${term.selectedOptions[0]?.textContent ?? ""}` : `${field.selectedOptions[0].textContent} “${value()}”`;
}

/** What an edit `would` do, or did. */
function tell({ count: number, clips }, what, would) {
  if (accepts()) return `${would ? "To be taken" : "Taken"} over: ${count(number, "suggestion")} of ${count(clips, "clip")}.`;
  return `${what} ${would ? "would be" : "is"} ${adds() ? "added to" : "set on"} ${count(number, "clip")}.`;
}

function fill() {
  const options = (fields.get(field.value)?.terms ?? []).map(([code, label]) => make("option", { value: code, text: label }));
  term.replaceChildren(...options);
  look();
}

function refresh() {
  const number = chosen().length;
  if (number < boxes().length) whole = false;
  form.hidden = number === 0;
  pick("[data-count]", form).textContent = count(whole ? total() : number, "clip");
  all.hidden = whole || number < boxes().length || total() <= number;
  all.textContent = `All ${count(total(), "clip")} found`;
  if (number) look();
}

async function look() {
  const mine = ++turn;
  expect = null;
  const what = shown();
  if (form.hidden) return;
  if (!value()) { preview.textContent = "Write what to set."; return; }
  await new Promise((ready) => setTimeout(ready, 120)); // a person who is still choosing asks once
  if (mine !== turn || form.hidden) return;
  try {
    const { data } = await send({ preview: true });
    if (mine !== turn) return;
    expect = data.count;
    preview.textContent = tell(data, what, true);
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    if (mine === turn) preview.textContent = error.message;
  }
}

onSubmit(form, async () => {
  if (!value()) { text.focus(); return; }
  const what = shown();
  const { data } = await send(expect === null ? {} : { expect });
  const undo = () => attempt(async () => {
    await post(`/api/v1/changes/${data.change}/undo`);
    say(`Taken back on ${count(data.clips ?? data.count, "clip")}.`);
    again(changed);
  });
  if (data.change === null) say("Nothing differed.");
  else say(tell(data, what, false), { act: ["Undo", undo] });
  clear();
  again(changed);
});

function clear() {
  boxes().forEach((one) => { one.checked = false; });
  whole = false;
  refresh();
}

on(document, "click", (event) => {
  const box = event.target;
  if (box.matches?.('#found input[name="clip"]')) {
    const there = boxes();
    if (event.shiftKey && last) {
      const [a, b] = [there.indexOf(last), there.indexOf(box)].sort((x, y) => x - y);
      if (a >= 0) there.slice(a, b + 1).forEach((one) => { one.checked = box.checked; });
    }
    last = box;
    refresh();
  }
  const setup = box.closest?.("[data-setup]");
  if (setup) {
    const own = picks('input[name="clip"]', setup.closest(".setup"));
    const on = !own.every((one) => one.checked);
    own.forEach((one) => { one.checked = on; });
    refresh();
  }
});
on(all, "click", () => { whole = true; refresh(); });
on(pick("[data-none]", form), "click", clear);
on(field, "change", fill);
on(term, "change", look);
on(text, "input", look);
fill();

function changed(q) {
  if (q !== undefined) place.dataset.whole = `${within} ${q}`.trim();
  refresh();
}

/** Begin, at this address; `always` is said before every query. */
export function results(root, always = "") {
  within = always;
  browse(root, changed);
}
