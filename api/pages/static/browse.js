// New results without a new page: facets, the query box and "more" put what they find in place.

import { attempt, on, pick, picks, read } from "./core.js";

let latest = 0, watch = () => {};

/** Begin. `changed` is called after the results are others; `root` says which addresses are this page's. */
export function browse(root, changed) {
  on(document, "click", (event) => {
    const link = event.target.closest?.("#found a, #kept a");
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey || event.button || link.pathname !== root) return;
    event.preventDefault();
    if (link.rel === "next") more(link, changed, true);
    else go(new URL(link.href), changed);
  });
  on(pick("form.find"), "submit", (event) => {
    const address = new URL(event.target.action);
    if (address.pathname !== root) return;
    event.preventDefault();
    const view = new URLSearchParams(location.search).get("view");
    address.search = new URLSearchParams([...new FormData(event.target), ...(view ? [["view", view]] : [])]);
    go(address, changed);
  });
  watch = () => picks('#found a[rel="next"]').forEach((link) => near.observe(link));
  const near = new IntersectionObserver((seen) => {
    for (const { target } of seen.filter((one) => one.isIntersecting)) {
      near.unobserve(target);
      more(target, changed, false);
    }
  }, { rootMargin: "600px" });
  watch();
  on(window, "popstate", () => again(changed));
}

/** The same results again, after something in them was edited. */
export const again = (changed) => go(new URL(location.href), changed, false);

function found(address) {
  const part = new URL(address);
  part.searchParams.set("part", "found");
  return read(part);
}

function go(address, changed, push = true) {
  const turn = ++latest;
  return attempt(async () => {
    const body = await found(address);
    if (turn !== latest) return; // somebody was quicker
    const q = address.searchParams.get("q") ?? "";
    pick("#found").replaceChildren(...body.childNodes);
    if (push) history.pushState(null, "", address);
    const box = pick("#q");
    if (box) box.value = q;
    changed(q);
    watch();
    performance.mark("results");
  });
}

async function more(link, changed, lead) {
  if (link.dataset.asked) return;
  link.dataset.asked = "1";
  await attempt(async () => {
    const body = await found(link.href);
    if (!link.isConnected) return; // other results stand there by now
    const here = link.closest("#found > .found > div");
    const there = pick(".found > div", body);
    link.closest("p").remove();
    // Cards go on in the list that is there, so that the grid has no gap.
    const list = pick(":scope > .cards", here), next = there && pick(":scope > .cards", there);
    const rows = pick("tbody", here), nextRows = there && pick("tbody", there);
    const first = pick("a", there);
    if (list && next) list.append(...next.children);
    if (rows && nextRows) rows.append(...nextRows.children);
    here.append(...[...there.children].filter((one) => one !== next && !one.contains(nextRows)));
    if (lead) first?.focus();
    changed(undefined);
    watch();
  });
  delete link.dataset.asked;
}
