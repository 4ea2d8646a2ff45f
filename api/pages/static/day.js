// One day: its strip, its contact sheet narrowed down in place, and many clips logged at once.

import { results } from "./many.js";
import { drawStrips } from "./strip.js";

drawStrips();
results(location.pathname, `day:${location.pathname.split("/")[2]}`);
