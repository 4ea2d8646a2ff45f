// What is said: cues play from their place, the one that is heard is marked, words and times are put right.

import { ask, on, parse, pick, picks, read, say } from "./core.js";

const film = pick("#film"), list = pick("#cues"), done = pick("#done");
const plays = (cue) => film?.getAttribute("src") === cue.dataset.src;
let saved = Promise.resolve(); // one edit after the other

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
  for (const cue of list.children) {
    const heard = plays(cue) && cue.dataset.at <= now && now < cue.dataset.end;
    if (heard && !cue.ariaCurrent) cue.scrollIntoView({ block: "nearest" });
    cue.ariaCurrent = heard ? "true" : null;
  }
});

on(list, "keydown", (event) => {
  const { key, target } = event, cue = target.closest("li"), next = cue.nextElementSibling;
  if (!target.matches("textarea, input")) return;
  if (key === "Escape") target.value = target.defaultValue;
  const keys = (event.ctrlKey ? "Control+" : "") + (event.altKey ? "Alt+" : "") + (event.shiftKey ? "Shift+" : "") + key;
  const act = pick(`[aria-keyshortcuts="${CSS.escape(keys)}"]`, cue);
  if (!act && (keys !== "Enter" || target.closest(".acts"))) return;
  event.preventDefault();
  if (act) act.click();
  else if (next) pick(`[name=${target.name}]`, next).focus();
  else target.blur();
});

/** Put the cues that are others now in place of those that stand here; what is typed elsewhere stays. */
function show(page) {
  const cues = picks("#cues > li", page);
  let changed;
  cues.forEach((cue, at) => {
    const old = document.getElementById(cue.id), here = old?.dataset.tag === cue.dataset.tag ? old : changed = cue;
    if (list.children[at] !== here) list.insertBefore(here, list.children[at]);
    if (old !== here) old?.remove();
  });
  while (list.children[cues.length]) list.lastElementChild.remove();
  done.replaceChildren(...pick("#done", page).childNodes);
  if (document.activeElement === document.body) pick("textarea", changed ?? list).focus();
}

on([list, done], "submit", (event) => {
  event.preventDefault();
  const { target: form, submitter } = event, { text } = form;
  saved = saved.then(async () => {
    if (!form.isConnected) return; // an edit before this one has put others in its place
    const body = new FormData(form, submitter), typed = text?.value;
    body.set("cursor", text?.selectionStart);
    body.set("played", film?.currentTime);
    body.set("film", film?.getAttribute("src"));
    try {
      const { text: page } = await ask(form.action, { method: "POST", form: new URLSearchParams(body) });
      for (const one of form) one.defaultValue = one.value; // nothing is left to save
      show(parse(page));
      say("Saved.");
    } catch (error) {
      const again = () => { const now = document.getElementById(text.id); now.value = typed; now.focus(); };
      say(`Not saved. ${error.message}`, { bad: true, act: text && ["Write it again", again] });
      if (error.status === 412) show(await read(location.href));
    }
  });
});

on(list, "focusout", ({ target, relatedTarget }) => {
  const { form, value, defaultValue } = target;
  if (target.matches("textarea, input") && value !== defaultValue && !form.contains(relatedTarget)) form.requestSubmit();
});
