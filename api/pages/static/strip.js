// The strip of hours: each camera's clips in true time, on a canvas, with a pointer or with keys.

import { ask, on, pick, picks, Refused } from "./core.js";

const LOGGED = 1, NOTICED = 2, NG = 4, CIRCLED = 8; // as in api/pages/strip.py
const GUTTER = 34, HEAD = 20, LANE = 34, BAR = 18;

/** Draw every strip of the page once it comes near the window. */
export function drawStrips() {
  const near = new IntersectionObserver((seen) => {
    for (const { target } of seen.filter((one) => one.isIntersecting)) {
      near.unobserve(target);
      load(target);
    }
  }, { rootMargin: "300px" });
  picks("[data-strip]").forEach((one) => near.observe(one));
}

async function load(place) {
  try {
    show(place, (await ask(place.dataset.strip)).data);
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    pick(".under", place).textContent = error.message;
  }
}

function show(place, data) {
  const canvas = pick("canvas", place), under = pick(".under", place);
  const first = data.hours[0]?.[0] ?? 0, last = data.hours.at(-1)?.[0] ?? 3600;
  const untimed = data.untimed ? ` ${data.untimed} without a known time are not here.` : "";
  const rest = `Filled: logged. Hollow: not yet. Low: NG. A dot above: circled. An amber mark below: a finding.${untimed}`;
  let at = -1, from = first, to = last, grip = null;
  canvas.style.height = `${HEAD + Math.max(1, data.lanes.length) * LANE + 4}px`;
  tell();
  new ResizeObserver(draw).observe(canvas);
  on(matchMedia("(prefers-color-scheme: dark)"), "change", draw);
  listen();

  function listen() {
    const zooms = { in: () => zoom(0.5), out: () => zoom(2), all: () => look(first, last) };
    on(picks("[data-zoom]", place), "click", ({ currentTarget }) => zooms[currentTarget.dataset.zoom]());
    on(canvas, "pointermove", (event) => {
      if (grip && event.buttons) {
        const span = to - from;
        const moved = ((grip.x - event.offsetX) / (canvas.clientWidth - GUTTER)) * span;
        if (Math.abs(grip.x - event.offsetX) > 3) grip.moved = true;
        look(grip.from + moved, grip.from + moved + span);
      } else choose(find(event.offsetX, event.offsetY));
    });
    on(canvas, "pointerdown", (event) => { grip = { x: event.offsetX, from: from }; });
    on(canvas, "click", (event) => {
      const found = find(event.offsetX, event.offsetY);
      if (found >= 0 && !grip?.moved) open(found);
      grip = null;
    });
    on(canvas, "pointerleave", () => { grip = null; if (document.activeElement !== canvas) choose(-1); });
    canvas.addEventListener("wheel", (event) => {
      if (!event.ctrlKey) return;
      event.preventDefault();
      zoom(event.deltaY < 0 ? 0.7 : 1.4, second(event.offsetX));
    }, { passive: false });
    on(canvas, "keydown", (event) => {
      const keys = {
        ArrowRight: () => step(1), ArrowLeft: () => step(-1),
        ArrowDown: () => lane(1), ArrowUp: () => lane(-1),
        Home: () => choose(0), End: () => choose(data.clips.length - 1),
        "+": () => zoom(0.5), "-": () => zoom(2), Enter: () => at >= 0 && open(at),
      };
      if (!keys[event.key] || event.ctrlKey || event.metaKey || event.altKey) return;
      event.preventDefault();
      keys[event.key]();
      reveal();
    });
  }

  function second(x) { return from + ((x - GUTTER) / (canvas.clientWidth - GUTTER)) * (to - from); }
  function across(second) { return GUTTER + ((second - from) / (to - from)) * (canvas.clientWidth - GUTTER); }

  function look(begin, end) {
    const span = Math.max(60, Math.min(end - begin, last - first));
    from = Math.max(first, Math.min(begin, last - span));
    to = from + span;
    draw();
  }

  function zoom(by, about) {
    const clip = data.clips[at];
    const middle = about ?? (clip ? clip[2] : (from + to) / 2);
    look(middle - (middle - from) * by, middle + (to - middle) * by);
  }

  function find(x, y) {
    const lane = Math.floor((y - HEAD) / LANE);
    let best = -1, distance = 5;
    data.clips.forEach((clip, index) => {
      if (clip[1] !== lane) return;
      const left = across(clip[2]), right = Math.max(left + 3, across(clip[2] + clip[3]));
      const away = x < left ? left - x : x > right ? x - right : 0;
      if (away < distance) [best, distance] = [index, away];
    });
    return best;
  }

  function step(by) {
    const clips = data.clips;
    if (clips.length) choose(at < 0 ? (by > 0 ? 0 : clips.length - 1) : Math.max(0, Math.min(clips.length - 1, at + by)));
  }

  function lane(by) {
    const now = data.clips[at];
    if (!now) return step(by);
    const others = data.clips.map((clip, index) => [Math.abs(clip[2] - now[2]), index, clip[1]]);
    const there = others.filter(([, , lane]) => lane === now[1] + by).sort((a, b) => a[0] - b[0]);
    if (there.length) choose(there[0][1]);
  }

  function reveal() {
    const clip = data.clips[at];
    if (clip && (clip[2] < from || clip[2] > to)) {
      const half = (to - from) / 2;
      look(clip[2] - half, clip[2] + half);
    }
  }

  function choose(index) {
    if (index === at) return;
    at = index;
    canvas.style.cursor = index >= 0 ? "pointer" : "crosshair";
    tell();
    draw();
  }

  function tell() {
    const clip = data.clips[at];
    under.textContent = clip ? `${clip[5]}. Enter or a press opens it.` : rest;
  }

  function open(index) { location.assign(`/clips/${data.clips[index][0]}`); }

  function draw() {
    const scale = devicePixelRatio || 1, width = canvas.clientWidth, height = canvas.clientHeight;
    if (!width) return;
    [canvas.width, canvas.height] = [width * scale, height * scale];
    const pen = canvas.getContext("2d");
    const style = getComputedStyle(document.documentElement);
    const colour = (name) => style.getPropertyValue(`--${name}`).trim();
    const ink = colour("ink"), soft = colour("soft"), rule = colour("rule"), flame = colour("flame");
    pen.scale(scale, scale);
    pen.font = `12px ${colour("plain")}`;
    pen.textBaseline = "middle";
    ruler(pen, width, height, soft, rule);
    data.lanes.forEach((letter, lane) => {
      const y = HEAD + lane * LANE + LANE / 2;
      pen.fillStyle = ink;
      pen.fillText(letter || "–", 4, y);
      pen.fillStyle = rule;
      pen.fillRect(GUTTER, y + BAR / 2, width - GUTTER, 1);
    });
    pen.save();
    pen.beginPath();
    pen.rect(GUTTER - 2, 0, width, height);
    pen.clip();
    data.clips.forEach(([, lane, second, length, flags], index) => {
      const left = across(second), wide = Math.max(2.5, across(second + length) - left);
      if (left > width || left + wide < GUTTER) return;
      const base = HEAD + lane * LANE + LANE / 2 + BAR / 2, tall = flags & NG ? BAR / 2 : BAR;
      pen.fillStyle = pen.strokeStyle = index === at ? flame : ink;
      if (flags & LOGGED || index === at) pen.fillRect(left, base - tall, wide, tall);
      else pen.strokeRect(left + 0.5, base - tall + 0.5, Math.max(1.5, wide - 1), tall - 1);
      if (flags & CIRCLED) { pen.beginPath(); pen.arc(left + wide / 2, base - BAR - 4, 2, 0, 7); pen.fill(); }
      pen.fillStyle = flame;
      if (flags & NOTICED) pen.fillRect(left, base + 2, Math.max(3, Math.min(wide, 8)), 3);
    });
    pen.restore();
  }

  function ruler(pen, width, height, soft, rule) {
    let free = 0;
    const fine = to - from < 7200 ? 600 : 3600;
    for (const [start, name] of data.hours) {
      for (let second = start; second < start + 3600; second += fine) {
        const x = Math.round(across(second));
        if (x < GUTTER - 1 || x > width) continue;
        pen.fillStyle = rule;
        pen.fillRect(x, second === start ? 12 : HEAD, 1, height);
        const text = second === start ? `${name}:00` : `${name}:${String((second - start) / 60).padStart(2, "0")}`;
        if (x + 3 < free || x + 40 > width) continue;
        pen.fillStyle = soft;
        pen.fillText(text, x + 3, 8);
        free = x + 52;
      }
    }
  }
}
