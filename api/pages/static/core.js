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

/** An answer that is an error: what is wrong and what to do, as the service says it. */
export class Refused extends Error {
  constructor(status, detail, remedy) {
    super(remedy ? `${detail}. ${remedy}` : detail);
    this.status = status;
  }
}

/** Ask the API. Resolves to { data, tag, at }; throws Refused, with status 0 when nobody answers. */
export async function ask(path, { method = "GET", body, tag } = {}) {
  const headers = method === "GET" ? {} : { "Content-Type": "application/json" };
  if (tag) headers["If-Match"] = tag;
  let answer;
  try {
    answer = await fetch(path, { method, headers, body: body === undefined ? undefined : JSON.stringify(body) });
  } catch {
    throw new Refused(0, "The service does not answer", "Look whether it runs, then try again.");
  }
  const text = await answer.text();
  const data = text && /json/.test(answer.headers.get("Content-Type") ?? "") ? JSON.parse(text) : null;
  if (!answer.ok) {
    const detail = data?.detail ?? `The service said ${answer.status}`;
    throw new Refused(answer.status, detail.charAt(0).toUpperCase() + detail.slice(1), data?.remedy);
  }
  return { data, tag: answer.headers.get("ETag"), at: answer.headers.get("Location") };
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
  if (act) {
    const button = make("button", { type: "button", text: act[0] });
    button.addEventListener("click", () => { place.replaceChildren(); act[1](); });
    place.append(button);
  }
  gone = setTimeout(() => place.replaceChildren(), bad ? 30_000 : 12_000);
}

export const sayTrouble = (error) => {
  if (!(error instanceof Refused)) throw error;
  say(error.message, { bad: true });
};

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
