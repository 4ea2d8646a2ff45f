// The outline: an item that is dragged to another's place is sent there by its own form.

import { on, pick } from "./core.js";

const list = pick("#items");
let held;
on(list, "dragstart", ({ target, dataTransfer }) => {
  held = target.closest("li");
  dataTransfer.setData("text/plain", held.id);
});
on(list, "dragover", (event) => event.preventDefault());
on(list, "drop", (event) => {
  event.preventDefault();
  const onto = event.target.closest("li");
  if (!onto || !held || onto === held) return;
  const form = pick("form", held);
  form.elements.place.value = onto.dataset.number;
  form.submit();
});
