// Cards: what is in the reader and how far the offloads are, as it happens; and starting one.

import { ask, count, make, pick, picks, production, say, sayTrouble } from "./core.js";

const live = pick("#live");
const present = pick("#present"), form = pick("#offload"), list = pick("#requests");
const seen = new Map(); // requests that were open while this page looked on

new EventSource(live.dataset.live).addEventListener("message", (event) => show(JSON.parse(event.data)));

function show({ cards, requests }) {
  const open = requests.filter((one) => one.state === "queued" || one.state === "running");
  const asked = new Set(open.map((one) => one.order.card));
  present.replaceChildren(...cards.map((card) => make("li", { "data-card": card.id }, make("b", { text: card.name }), asked.has(card.id) ? make("span", { class: "quiet", text: " being offloaded" }) : "")));
  pick("#no-card").hidden = cards.length > 0;
  if (form) {
    form.hidden = !cards.length;
    const choose = pick("#o-card"), before = choose.value;
    const ids = cards.map((card) => card.id).join();
    if (ids !== [...choose.options].map((one) => one.value).join()) {
      choose.replaceChildren(...cards.map((card) => make("option", { value: card.id, text: card.name })));
      if (cards.some((card) => card.id === before)) choose.value = before;
    }
  }
  for (const one of open) seen.set(one.id, one);
  const shown = requests.filter((one) => seen.has(one.id));
  pick("#idle").hidden = shown.length > 0;
  list.replaceChildren(...shown.map(row));
}

const size = (bytes) => {
  let amount = bytes;
  for (const unit of ["bytes", "kB", "MB", "GB"]) {
    if (amount < 1000) return unit === "bytes" ? `${bytes} bytes` : `${amount.toFixed(1)} ${unit}`;
    amount /= 1000;
  }
  return `${amount.toFixed(2)} TB`;
};

const KINDS = { offload: "Offload", handover: "Hand-over", demo: "Demo" };
const STATES = { queued: "waits for the worker", running: "running", done: "done", failed: "failed" };

function row(one) {
  const name = one.kind === "offload" ? `Offload of ${one.order.card_name ?? "a card"}` : KINDS[one.kind];
  const item = make("li", one.state === "failed" ? { class: "unsound" } : {}, make("p", {}, make("b", { text: name }), make("span", { class: "quiet", text: STATES[one.state] })));
  const { step, bytes_to_read: whole, read, destinations = [] } = one.progress;
  if (one.state === "running" && step) item.append(make("p", { class: "quiet", text: step }));
  if (one.state === "running" && whole) {
    item.append(bar(`Read ${size(read)} of ${size(whole)}`, read, whole));
    for (const place of destinations) item.append(bar(`${place.destination}: ${size(place.written)} written, ${size(place.verified)} verified of ${size(place.bytes)}`, place.verified, place.bytes));
  }
  if (one.error) item.append(make("p", { text: one.error }));
  if (one.state === "done" && one.kind === "offload") item.append(make("p", {}, make("a", { href: location.href, text: `Reel ${one.reel} is copied. Load the page again to see how it stands` })));
  if (one.state === "done" && one.folder) item.append(make("p", { text: one.folder }));
  return item;
}

function bar(text, value, max) {
  return make("div", {}, make("p", { text }), make("progress", { value, max: Math.max(1, max), "aria-label": text }));
}

form?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const to = picks('input[name="to"]', form).filter((one) => one.checked).map((one) => one.value);
  if (!to.length) { say("Choose where the copies go.", { bad: true }); return; }
  const day = pick("#o-day").value;
  const body = { card: pick("#o-card").value, to, camera: pick("#o-camera").value || null, day: day ? Number(day) : null, production };
  try {
    await ask("/api/v1/offloads", { method: "POST", body });
    say(`The offload to ${count(to.length, "destination")} is asked for.`);
  } catch (error) { sayTrouble(error); }
});
