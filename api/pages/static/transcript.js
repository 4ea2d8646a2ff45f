// What is said: cues play from their place, the one that is heard is marked, words are corrected in place.

import { ask, on, pick, picks, say } from "./core.js";

const film = pick("#film"), list = pick("#cues"), cues = picks("li", list);
const plays = (cue) => film.getAttribute("src") === cue.dataset.src;

on(list, "click", (event) => {
  const cue = event.target.closest("a")?.closest("li");
  if (!film || !cue) return;
  event.preventDefault();
  if (!plays(cue)) film.src = cue.dataset.src;
  film.currentTime = cue.dataset.at;
  film.play().catch(() => {}); // the page says what to do then
});

on(film, "timeupdate", () => {
  const now = film.currentTime + 0.01;
  for (const cue of cues) {
    const heard = plays(cue) && cue.dataset.at <= now && now < cue.dataset.end;
    if (heard && !cue.ariaCurrent) cue.scrollIntoView({ block: "nearest" });
    cue.ariaCurrent = heard ? "true" : null;
  }
});

on(list, "keydown", (event) => {
  const { key, target } = event;
  if (!target.matches("textarea, input")) return;
  if (key === "Escape") target.value = target.defaultValue;
  if (key !== "Enter" || event.shiftKey) return;
  event.preventDefault();
  const next = target.closest("li").nextElementSibling;
  if (next) pick(`[name=${target.name}]`, next).focus();
  else target.blur();
});

on(list, "submit", (event) => { if (!event.submitter?.name) event.preventDefault(); }); // `focusout` has saved

on(list, "focusout", async ({ target }) => {
  const { name, value, form } = target, { dataset } = target.closest("li");
  if (!target.matches("textarea, input") || value === target.defaultValue) return;
  const show = ({ data, tag }) => {
    target.value = target.defaultValue = data[name] ?? "";
    dataset.tag = form.tag.value = tag;
    const mark = pick(".unsure", form);
    if (mark) mark.hidden = !data.unsure;
  };
  try {
    show(await ask(dataset.href, { method: "PATCH", tag: dataset.tag, body: { [name]: value } }));
    say("Saved.");
  } catch (error) {
    target.value = target.defaultValue;
    say(`Not saved. ${error.message}`, { bad: true, act: ["Write it again", () => { target.value = value; target.focus(); }] });
    if (error.status === 412) show(await ask(dataset.href));
  }
});
