// The first minutes: each step's form is sent to the API, and the page then shows the next.

import { follow, on, onSubmit, pick, picks, post, sayTrouble } from "./core.js";

onSubmit(picks("form[data-post]"), async ({ target: form }) => {
  const { data } = await post(form.dataset.post, Object.fromEntries(new FormData(form)));
  if (form.id === "production") location.assign(`/begin?${new URLSearchParams({ production: data.slug })}`);
  else location.reload();
});

const demo = pick("[data-demo]");
on(demo, "click", async () => {
  const tell = (text) => { pick("#demo-step").textContent = text; };
  demo.disabled = true;
  tell("The worker is asked.");
  try {
    const { data } = await post("/api/v1/demo", { action: demo.dataset.demo });
    const row = await follow(data, (step) => tell(`${step.charAt(0).toUpperCase()}${step.slice(1)} …`));
    location.assign(row.result.production ? `/days?${new URLSearchParams({ production: row.result.production })}` : "/days");
  } catch (error) {
    demo.disabled = false;
    tell("");
    sayTrouble(error);
  }
});
