// The first minutes: loading the demo, or taking it out. The forms are sent by send.js.

import { follow, on, pick, post, sayTrouble } from "./core.js";

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
