// The first minutes: each step's form is sent to the API, and the page then shows the next.

import { ask, follow, pick, picks, sayTrouble } from "./core.js";

for (const form of picks("form[data-post]")) {
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    try {
      const { data } = await ask(form.dataset.post, { method: "POST", body: Object.fromEntries(new FormData(form)) });
      if (form.id === "production") location.assign(`/begin?${new URLSearchParams({ production: data.slug })}`);
      else location.reload();
    } catch (error) { sayTrouble(error); }
  });
}

const demo = pick("[data-demo]");
demo?.addEventListener("click", async () => {
  const say = (text) => { pick("#demo-step").textContent = text; };
  demo.disabled = true;
  say("The worker is asked.");
  try {
    const { data } = await ask("/api/v1/demo", { method: "POST", body: { action: demo.dataset.demo } });
    const row = await follow(data, (step) => say(`${step.charAt(0).toUpperCase()}${step.slice(1)} …`));
    location.assign(row.result.production ? `/days?${new URLSearchParams({ production: row.result.production })}` : "/days");
  } catch (error) {
    demo.disabled = false;
    say("");
    sayTrouble(error);
  }
});
