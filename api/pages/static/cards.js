// Cards: what is in the reader and how far the offloads are, as it happens; and starting one.

import { count, make, on, onSubmit, parse, pick, picks, post, production, say } from "./core.js";

const form = pick("#offload");
const seen = new Set(); // requests that were open while this page looked on

on(new EventSource(pick("#live").dataset.live), "message", ({ data }) => {
  pick("#now").replaceChildren(...parse(data).childNodes);
  for (const one of picks("#requests li")) {
    if ("open" in one.dataset) seen.add(one.id);
    one.hidden = !seen.has(one.id);
  }
  pick("#idle").hidden = Boolean(pick("#requests li:not([hidden])"));
  if (form) offerCards(picks("#present li"));
});

/** The cards that can be chosen are those that are there; what was chosen stays. */
function offerCards(cards) {
  form.hidden = !cards.length;
  const choose = pick("#o-card"), before = choose.value;
  if (cards.map((card) => card.dataset.card).join() === [...choose.options].map((one) => one.value).join()) return;
  choose.replaceChildren(...cards.map((card) => make("option", { value: card.dataset.card, text: pick("b", card).textContent })));
  if (cards.some((card) => card.dataset.card === before)) choose.value = before;
}

onSubmit(form, async () => {
  const given = new FormData(form), to = given.getAll("to");
  if (!to.length) { say("Choose where the copies go.", { bad: true }); return; }
  const body = { card: given.get("card"), to, camera: given.get("camera") || null, day: Number(given.get("day")) || null, production };
  await post("/api/v1/offloads", body);
  say(`The offload to ${count(to.length, "destination")} is asked for.`);
});
