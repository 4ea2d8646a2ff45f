// One day: its strip, its contact sheet narrowed down in place, and many clips logged at once.

import { pick } from "./core.js";
import { again, browse } from "./browse.js";
import { logMany } from "./many.js";
import { drawStrips } from "./strip.js";

const place = pick("#found");
const day = `day:${location.pathname.split("/")[2]}`;
drawStrips();
const refresh = logMany(() => place.dataset.whole, () => again(changed));
browse(location.pathname, changed);

function changed(q) {
  if (q !== undefined) place.dataset.whole = `${day} ${q}`.trim();
  refresh();
}
