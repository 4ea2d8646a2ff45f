// Find: completion of fields and values, facets without a new page, kept searches, and the hand-over.

import { api, ask, carried, follow, make, pick, production, say, sayTrouble } from "./core.js";
import { again, browse } from "./browse.js";
import { complete } from "./complete.js";
import { logMany } from "./many.js";

const place = pick("#found");
const refresh = logMany(() => place.dataset.whole, () => again(changed));
browse("/find", changed);
complete(pick("#q"), carried("#words"), carried("[data-fields]"));

function changed(q) {
  if (q !== undefined) place.dataset.whole = q;
  refresh();
}

document.addEventListener("click", (event) => {
  const button = event.target.closest?.("button");
  if (button?.matches("[data-handover]")) handOver(button);
  if (button?.matches("[data-keep]")) askName(button);
  if (button?.matches("[data-drop]")) letGo(button);
});

async function handOver(button) {
  button.disabled = true;
  try {
    const { data } = await ask("/api/v1/handovers", { method: "POST", body: { query: place.dataset.whole, production } });
    say("The hand-over is asked for.");
    const row = await follow(data, (step) => say(`Hand-over: ${step}.`));
    say(`The hand-over is ready: ${row.result.folder}`);
  } catch (error) {
    sayTrouble(error);
  }
  button.disabled = false;
}

function askName(button) {
  const input = make("input", { maxlength: 100, required: true, "aria-label": "Name of the search", placeholder: "Name of the search" });
  const form = make("form", { class: "naming" }, input, make("button", { type: "submit", text: "Keep" }));
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    try {
      const body = { name: input.value, query: place.dataset.whole };
      const { data } = await ask(api("/searches"), { method: "POST", body });
      const drop = make("button", { type: "button", class: "plain", "data-drop": data.id, text: "Let go" });
      drop.append(make("span", { class: "unseen", text: ` of ${data.name}` }));
      const href = `/find?${new URLSearchParams({ production, q: data.query })}`;
      pick("#kept").append(make("li", {}, make("a", { href, title: data.query, text: data.name }), " ", drop));
      form.replaceWith(button);
      say(`Kept as ${data.name}.`);
    } catch (error) { sayTrouble(error); }
  });
  button.replaceWith(form);
  input.focus();
}

async function letGo(button) {
  try {
    await ask(`/api/v1/searches/${button.dataset.drop}`, { method: "DELETE" });
    button.closest("li").remove();
    pick("#q").focus();
  } catch (error) { sayTrouble(error); }
}
