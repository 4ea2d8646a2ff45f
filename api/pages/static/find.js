// Find: completion of fields and values, facets without a new page, kept searches, and the hand-over.

import { api, ask, attempt, carried, follow, make, on, onSubmit, pick, post, production, renew, say } from "./core.js";
import { complete } from "./complete.js";
import { results } from "./many.js";

const place = pick("#found");
results("/find");
complete(pick("#q"), carried("#words"), carried("[data-fields]"));

on(document, "click", (event) => {
  const button = event.target.closest?.("button");
  if (button?.matches("[data-handover]")) handOver(button);
  if (button?.matches("[data-keep]")) askName(button);
  if (button?.matches("[data-drop]")) letGo(button);
});

async function handOver(button) {
  button.disabled = true;
  await attempt(async () => {
    const { data } = await post("/api/v1/handovers", { query: place.dataset.whole, production });
    say("The hand-over is asked for.");
    const row = await follow(data, (step) => say(`Hand-over: ${step}.`));
    say(`The hand-over is ready: ${row.result.folder}`);
  });
  button.disabled = false;
}

function askName(before) {
  const input = make("input", { maxlength: 100, required: true, "aria-label": "Name of the search", placeholder: "Name of the search" });
  const form = make("form", { class: "naming" }, input, make("button", { text: "Keep" }));
  onSubmit(form, async () => {
    const { data } = await post(api("/searches"), { name: input.value, query: place.dataset.whole });
    await renew("#kept");
    form.replaceWith(before);
    say(`Kept as ${data.name}.`);
  });
  before.replaceWith(form);
  input.focus();
}

const letGo = (button) => attempt(async () => {
  await ask(`/api/v1/searches/${button.dataset.drop}`, { method: "DELETE" });
  button.closest("li").remove();
  pick("#q").focus();
});
