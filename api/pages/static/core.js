// What the pages' scripts share: asking the service, and saying what came of it.

export const production = document.body.dataset.production ?? "";

/** The first element that fits, below `under`. */
export const pick = (selector, under = document) => under.querySelector(selector);
export const picks = (selector, under = document) => [...under.querySelectorAll(selector)];

/** An element with text and children. Texts are never taken for markup. */
export function make(name, values = {}, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(values)) {
    if (key === "text") element.textContent = value;
    else if (value === true) element.setAttribute(key, "");
    else if (value !== false && value != null) element.setAttribute(key, value);
  }
  element.append(...children);
  return element;
}

/** A button of a form or list that sends nothing; `act` hears its presses. */
export function button(values, act, ...children) {
  const made = make("button", { type: "button", ...values }, ...children);
  if (act) made.addEventListener("click", act);
  return made;
}

/** Listen on one element or on several; where there is none, nothing is done. */
export function on(what, event, act) {
  for (const one of [what].flat()) one?.addEventListener(event, act);
}

/** An answer that is an error: what is wrong and what to do, as the service says it. */
export class Refused extends Error {
  constructor(status, detail, remedy) {
    super(remedy ? `${detail}. ${remedy}` : detail);
    this.status = status;
  }
}

async function reach(address, options) {
  try {
    return await fetch(address, options);
  } catch {
    throw new Refused(0, "The service does not answer", "Look whether it runs, then try again.");
  }
}

/** Ask the API, or send a form's values to its page. Resolves to { data, text, tag, at }; throws Refused, with
status 0 when nobody answers. */
export async function ask(path, { method = "GET", body, form, tag } = {}) {
  const headers = method === "GET" || form ? {} : { "Content-Type": "application/json" };
  if (tag) headers["If-Match"] = tag;
  const answer = await reach(path, { method, headers, body: form ?? (body && JSON.stringify(body)) });
  const text = await answer.text();
  const data = text && /json/.test(answer.headers.get("Content-Type") ?? "") ? JSON.parse(text) : null;
  if (!answer.ok) {
    const detail = data?.detail ?? `The service said ${answer.status}`;
    throw new Refused(answer.status, detail.charAt(0).toUpperCase() + detail.slice(1), data?.remedy);
  }
  return { data, text, tag: answer.headers.get("ETag"), at: answer.headers.get("Location") };
}

export const post = (path, body) => ask(path, { method: "POST", body });

/** What the service wrote, as elements that belong to no page yet. */
export const parse = (text) => new DOMParser().parseFromString(text, "text/html").body;

/** A page, or a part of one, as the service has it now; of a query that can't be read, what it says of it. */
export const read = async (address) => parse(await (await reach(address, { headers: { Accept: "text/html" } })).text());

/** Put what the service has now in the place of these elements of this page. */
export async function renew(...selectors) {
  const fresh = await read(location.href);
  for (const one of selectors) pick(one).replaceWith(pick(one, fresh) ?? pick(one));
}

/** An address of the API, of this production, with what is given of the query. */
export function api(path, query = {}) {
  const given = Object.entries({ production, ...query }).filter(([, value]) => value !== "" && value != null);
  return `/api/v1${path}${given.length ? `?${new URLSearchParams(given)}` : ""}`;
}

let gone = 0;

/** Say something at the foot of the page; `act` is a button's label and what it does. */
export function say(text, { bad = false, act } = {}) {
  const place = pick("#said");
  clearTimeout(gone);
  place.classList.toggle("bad", bad);
  place.replaceChildren(text);
  if (act) place.append(button({ text: act[0] }, () => { place.replaceChildren(); act[1](); }));
  gone = setTimeout(() => place.replaceChildren(), bad ? 30_000 : 12_000);
}

export const sayTrouble = (error) => {
  if (!(error instanceof Refused)) throw error;
  say(error.message, { bad: true });
};

/** Do it, and say what was refused. */
export const attempt = (act) => Promise.resolve().then(act).catch(sayTrouble);

/** What sending a form does, in place of a new page. */
export const onSubmit = (form, act) => on(form, "submit", (event) => {
  event.preventDefault();
  attempt(() => act(event));
});

export const count = (number, one, many = `${one}s`) =>
  `${String(number).replace(/\B(?=(\d{3})+$)/g, "\u202f")} ${number === 1 ? one : many}`;

/** Data that the page carries for its script. */
export const carried = (selector, under = document) => JSON.parse(pick(selector, under)?.textContent ?? "null");

const wait = (milliseconds) => new Promise((done) => setTimeout(done, milliseconds));

/** Follow a request of the worker to its end; `step` hears how far it is. Throws Refused when it failed. */
export async function follow(request, step = () => {}) {
  let row = request;
  while (row.state === "queued" || row.state === "running") {
    step(row.progress?.step ?? (row.state === "queued" ? "waiting for the worker" : "started"));
    await wait(500);
    row = (await ask(`/api/v1/requests/${row.id}`)).data;
  }
  if (row.state === "failed") throw new Refused(500, row.error ?? "It failed");
  return row;
}
