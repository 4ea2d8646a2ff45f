// Completion in a query box: names of fields, then their values. A combobox with a list, by WAI-ARIA 1.2.

import { api, ask, make, on } from "./core.js";

const MOST = 12;

/** `words`: [name, help, choices] of every field; `terms`: [name, label, [[code, label …] …]]. */
export function complete(box, words, terms) {
  const list = make("ul", { class: "offers", role: "listbox", id: "offers", "aria-label": "Completions", hidden: true });
  box.closest(".box").after(list);
  for (const [name, value] of Object.entries({ role: "combobox", "aria-autocomplete": "list", "aria-controls": "offers", "aria-expanded": "false" })) box.setAttribute(name, value);
  const known = new Map(terms.map(([name, , of]) => [name, of.map(([code, label]) => [code, label])]));
  for (const [name, , choices] of words) if (choices.length) known.set(name, choices.map((one) => [one, ""]));
  let counted = null, at = -1, offers = [];

  /** The piece of the query that ends at the caret, outside of quotation marks. */
  function piece() {
    const before = box.value.slice(0, box.selectionStart);
    let start = 0, quoted = false;
    before.split("").forEach((one, place) => {
      if (one === '"') quoted = !quoted;
      else if (!quoted && /\s/.test(one)) start = place + 1;
    });
    const text = before.slice(start);
    const dash = text.startsWith("-") ? 1 : 0;
    return { from: box.selectionStart - text.length + dash, text: text.slice(dash) };
  }

  async function valuesOf(field) {
    if (known.has(field)) return known.get(field);
    counted ??= ask(api("/clips/facets", { most: 200 })).then(({ data }) => data.fields, () => ({}));
    return ((await counted)[field] ?? []).map((one) => [one.value, one.label === one.value ? "" : one.label]);
  }

  async function find() {
    const { text } = piece();
    const colon = text.indexOf(":");
    if (!text) return [];
    if (colon < 0) {
      const fields = words.filter(([name]) => name.startsWith(text.toLowerCase()));
      return fields.map(([name, help]) => ({ put: `${name}:`, show: `${name}:`, about: help }));
    }
    const field = text.slice(0, colon).toLowerCase();
    const given = text.slice(colon + 1).split(",").at(-1).replaceAll('"', "").toLowerCase();
    const head = text.slice(0, text.length - text.slice(colon + 1).split(",").at(-1).length);
    const fits = ([value, label]) => value.toLowerCase().startsWith(given) || label.toLowerCase().startsWith(given);
    return (await valuesOf(field)).filter(fits).map(([value, label]) => ({
      put: `${head}${/^[\w-]+$/.test(value) ? value : `"${value.replaceAll('"', '""')}"`} `, show: value, about: label,
    }));
  }

  async function offer() {
    const asked = box.value;
    const fresh = (await find()).slice(0, MOST);
    if (asked !== box.value || document.activeElement !== box) return;
    // The same again: whoever has begun to choose among them goes on.
    if (!list.hidden && fresh.map((one) => one.put).join() === offers.map((one) => one.put).join()) return;
    offers = fresh;
    open(false);
    list.replaceChildren(...offers.map((one, index) => {
      const item = make("li", { role: "option", id: `offer-${index}`, "aria-selected": "false" }, make("b", { text: one.show }), make("span", { class: "quiet", text: one.about }));
      on(item, "pointerdown", (event) => { event.preventDefault(); take(index); });
      return item;
    }));
    open(offers.length > 0);
  }

  function open(yes) {
    list.hidden = !yes;
    box.setAttribute("aria-expanded", String(yes));
    if (!yes) { at = -1; box.removeAttribute("aria-activedescendant"); }
  }

  function light(index) {
    at = (index + offers.length) % offers.length;
    [...list.children].forEach((one, place) => one.setAttribute("aria-selected", String(place === at)));
    box.setAttribute("aria-activedescendant", `offer-${at}`);
    list.children[at].scrollIntoView({ block: "nearest" });
  }

  function take(index) {
    const { from } = piece();
    const rest = box.value.slice(box.selectionStart);
    const text = offers[index].put;
    box.value = box.value.slice(0, from) + text + rest.trimStart();
    box.setSelectionRange(from + text.length, from + text.length);
    open(false);
    if (text.endsWith(":")) offer();
  }

  on(box, "input", offer);
  on(box, "blur", () => open(false));
  on(box, "keydown", (event) => {
    if (list.hidden) {
      if (event.key !== "ArrowDown") return;
      event.preventDefault();
      offer().then(() => { if (!list.hidden) light(0); });
      return;
    }
    const keys = { ArrowDown: () => light(at + 1), ArrowUp: () => light(at < 0 ? -1 : at - 1), Escape: () => open(false) };
    if (event.key === "Enter" && at >= 0) keys.Enter = () => take(at);
    if (!keys[event.key]) return;
    event.preventDefault();
    keys[event.key]();
  });
}
