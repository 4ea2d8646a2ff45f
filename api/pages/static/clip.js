// One clip: stills by hand, the picture by frames, moments by keys, and its log entry.

import { ask, attempt, follow as followRequest, on, onSubmit, pick, picks, post, renew, say } from "./core.js";
import { Entry, linesOf, sayNotSaved } from "./entry.js";
import { frameAt, insideOf, label } from "./timecode.js";

const stage = pick("#stage");
const clip = Number(stage.dataset.clip);
const number = (name) => (stage.dataset[name] === "" ? null : Number(stage.dataset[name]));
const [num, den, first, frames] = ["num", "den", "start", "frames"].map(number);
const sound = Boolean(stage.dataset.sound), drop = Boolean(stage.dataset.drop);

/** A place in the clip for people: its timecode where it has one, else frame or seconds, never a guess. */
function sayPlace(frame) {
  if (!num) return "–";
  if (sound) return `${((frame * den) / num).toFixed(2)} s`;
  return first === null ? `frame ${frame}` : label(first + frame, num, den, drop);
}

stills();
player();

function stills() {
  const still = pick("img#still");
  const buttons = picks(".film button");
  if (!still || !buttons.length) return;
  const look = (button) => {
    still.src = button.dataset.src;
    still.alt = button.dataset.alt;
    buttons.forEach((one) => one.removeAttribute("aria-current"));
    button.setAttribute("aria-current", "true");
    if (button.dataset.frame) show(Number(button.dataset.frame));
  };
  buttons.forEach((button, index) => {
    for (const event of ["click", "focus", "pointerenter"]) on(button, event, () => look(button));
    on(button, "keydown", (event) => {
      const to = { ArrowRight: index + 1, ArrowLeft: index - 1, Home: 0, End: buttons.length - 1 }[event.key];
      if (to === undefined) return;
      event.preventDefault();
      buttons[Math.max(0, Math.min(buttons.length - 1, to))].focus();
    });
  });
  // Along the width of the picture, as along the length of the clip.
  still.addEventListener("pointermove", (event) => {
    const place = Math.floor((event.offsetX / still.clientWidth) * buttons.length);
    const button = buttons[Math.max(0, Math.min(buttons.length - 1, place))];
    if (!button.hasAttribute("aria-current")) look(button);
  });
}

function show(frame) {
  const at = pick("#at");
  if (at) at.textContent = sayPlace(frame);
}

function player() {
  const panel = pick("#play");
  if (!panel) return;
  const video = pick("#video"), along = pick("#along"), part = pick("#part"), trouble = pick("#trouble");
  const play = pick('[data-act="play"]', panel);
  const marks = { begins: null, ends: null };
  let frame = 0, shown = false, sought = false, offset = 0;

  const own = () => part.selectedOptions[0].dataset;
  const partStart = () => Number(own().first);
  const preview = pick("#preview");

  function begin() {
    if (shown) return;
    const { href, preview: made } = own();
    offset = partStart();
    if (!href && !made) { offer("No browser plays this kind of file."); return; }
    shown = true;
    trouble.textContent = "";
    video.preload = "auto"; // a place is looked for without playing
    video.src = made ? `/previews/${part.value}` : href;
    video.hidden = false;
    const still = pick("#still");
    if (still) still.style.setProperty("visibility", "hidden");
    follow();
  }

  function follow() {
    const tell = (seconds) => {
      if (sought) return; // `seek` has said where it is going; what is shown on the way is past
      frame = offset + frameAt(seconds, num, den);
      if (frames) frame = Math.min(frame, frames - 1);
      along.value = frame;
      show(frame);
    };
    const each = (_now, picture) => { tell(picture.mediaTime); video.requestVideoFrameCallback(each); };
    if (!sound && video.requestVideoFrameCallback) video.requestVideoFrameCallback(each);
    else on(video, "timeupdate", () => tell(video.currentTime));
  }

  function seek(to) {
    begin();
    if (!shown) return;
    video.pause();
    sought = true;
    frame = Math.max(0, Math.min(to, (frames ?? Infinity) - 1));
    video.currentTime = insideOf(Math.max(0, frame - offset), num, den);
    along.value = frame;
    show(frame);
  }

  async function toggle() {
    begin();
    if (!shown) return;
    if (!video.paused) { video.pause(); return; }
    try { await video.play(); } catch { /* `error` says why */ }
  }

  on(video, "play", () => { sought = false; play.textContent = "Pause"; });
  on(video, "pause", () => { play.textContent = "Play"; });
  on(video, "error", async () => {
    video.hidden = true;
    pick("#still")?.style.removeProperty("visibility");
    shown = false;
    try {
      await ask(`/api/v1/files/${part.value}/content`, { method: "HEAD" });
      if (own().preview) trouble.textContent = "This browser can't play the small film either; the stills are what can be seen here.";
      else offer("This browser can't play the file.");
    } catch {
      trouble.textContent = "No copy of this file is at hand. Connect a drive that holds one, then press Play again.";
    }
  });

  function offer(why) {
    trouble.textContent = why;
    preview.hidden = false;
  }

  on(preview, "click", async () => {
    preview.disabled = true;
    await attempt(async () => {
      const { data } = await post(`/api/v1/files/${part.value}/preview`);
      await followRequest(data, (step) => { trouble.textContent = `${step} …`; });
      own().preview = "1";
      preview.hidden = true;
      seek(frame);
    });
    if (!preview.hidden) trouble.textContent = "";
    preview.disabled = false;
  });

  function mark(which) {
    marks[which] = which === "ends" ? frame + 1 : frame; // the frame one sees belongs to the moment
    const { begins, ends } = marks;
    pick("#marked").textContent = [begins === null ? "" : `from ${sayPlace(begins)}`, ends === null ? "" : `up to ${sayPlace(ends)}`].filter(Boolean).join(" ");
  }

  const keep = () => attempt(async () => {
    if (marks.begins === null || marks.ends === null) { say("Mark where the moment begins and where it ends first."); return; }
    const name = pick("#moment-name");
    await post(`/api/v1/clips/${clip}/moments`, { in: marks.begins, out: marks.ends, name: name.value.trim() });
    await renew("#moments");
    [marks.begins, marks.ends, name.value] = [null, null, ""];
    pick("#marked").textContent = "";
    say("The moment is kept.");
  });

  const second = num ? Math.round(num / den) : 1;
  const acts = { play: toggle, begins: () => mark("begins"), ends: () => mark("ends"), keep };
  on(picks("[data-act]", panel), "click", ({ currentTarget }) => acts[currentTarget.dataset.act]());
  on(along, "input", () => seek(Number(along.value)));
  // What stands at a place, a finding say, is a link: it plays from there.
  on(document, "click", (event) => {
    const link = event.target.closest?.("[data-from]");
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    const from = Number(link.dataset.from);
    const holds = [...part.options].findLast((one) => Number(one.dataset.first) <= from);
    if (!holds.selected) { holds.selected = true; shown = false; }
    seek(from);
    toggle();
    panel.focus();
  });
  on(part, "change", () => { shown = false; seek(partStart()); });
  on(panel, "keydown", (event) => {
    if (event.target.matches("select, input:not([type=range])") || event.ctrlKey || event.metaKey || event.altKey) return;
    const step = event.shiftKey ? second : 1;
    const keys = { ArrowRight: () => seek(frame + step), ArrowLeft: () => seek(frame - step), b: acts.begins, e: acts.ends };
    if (!event.target.matches("button")) Object.assign(keys, { " ": toggle, Enter: keep });
    if (!keys[event.key]) return;
    event.preventDefault();
    keys[event.key]();
  });
  if (num) show(0);
}

on(document, "click", (event) => {
  const button = event.target.closest("[data-remove]");
  if (button) attempt(async () => {
    const address = `/api/v1/moments/${button.dataset.remove}`;
    const { tag } = await ask(address);
    await ask(address, { method: "DELETE", tag });
    await renew("#moments");
    say("The moment is removed.");
  });
});

const form = pick("#log");
const controls = [...form.elements].filter((one) => one.name);
const read = (one) => ("lines" in one.dataset ? linesOf(one.value) : one.value || null);
const stored = Object.fromEntries(controls.map((one) => [one.name, read(one)]));
const entry = new Entry(clip, stored, `"${form.dataset.version}"`, {
  changed: (now) => { pick("#saved").textContent = now.busy || Object.keys(now.waiting).length ? "Saving…" : "Saved."; },
  failed: (now, error) => {
    for (const one of controls) {
      const value = now.get(one.name);
      one.value = Array.isArray(value) ? value.join("\n") : (value ?? "");
    }
    pick("#saved").textContent = "Not saved.";
    say(sayNotSaved(error), { bad: true });
  },
});
on(form, "change", (event) => entry.set({ [event.target.name]: read(event.target) }));
onSubmit(form, () => {});
