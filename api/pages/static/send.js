// Forms and buttons that are sent to the API as they say; items that can be dragged to another's place.

import { ask, pick, sayTrouble } from "./core.js";

async function send({ id, dataset: { to, method = "POST", tag, body = "{}", then } }, more) {
  try {
    const { data } = await ask(to, { method, tag, body: { ...JSON.parse(body), ...more } });
    if (then) return location.assign(then + (data.slug ?? data.id));
    if (id) location.hash = id;
    location.reload();
  } catch (error) { sayTrouble(error); }
}

document.addEventListener("submit", (event) => {
  const form = event.target, body = {};
  if (!form.dataset.to) return;
  event.preventDefault();
  for (const { name, value, type, checked, dataset } of form.elements) {
    if (type === "checkbox") { if (checked) (body[name] ??= []).push(+value); }
    else if (name && value) body[name] = type === "number" || "number" in dataset ? +value : value;
  }
  send(form, body);
});
document.addEventListener("click", ({ target }) => {
  const button = target.closest("button[data-to]");
  if (button) send(button);
});

const list = pick("#items");
let held;
list?.addEventListener("dragstart", ({ target, dataTransfer }) => {
  held = target.closest("li");
  dataTransfer.setData("text/plain", held.id);
});
list?.addEventListener("dragover", (event) => event.preventDefault());
list?.addEventListener("drop", (event) => {
  event.preventDefault();
  const onto = event.target.closest("li");
  if (onto && held && onto !== held) send(held, { place: +onto.dataset.number });
});
if (location.hash) document.getElementById(location.hash.slice(1))?.focus();
