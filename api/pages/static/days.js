// Days: the strips of hours.

import { drawStrips } from "./strip.js";

drawStrips();
