// The first minutes: loading the demo, or taking it out. The forms are sent by send.js.

import { ask, follow, pick, sayTrouble } from "./core.js";

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
