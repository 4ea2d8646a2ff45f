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
    new Strip(place, (await ask(place.dataset.strip)).data);
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    pick(".under", place).textContent = error.message;
  }
}

class Strip {
  constructor(place, data) {
    this.data = data;
    this.canvas = pick("canvas", place);
    this.under = pick(".under", place);
    this.at = -1;
    this.first = data.hours[0]?.[0] ?? 0;
    this.last = data.hours.at(-1)?.[0] ?? 3600;
    [this.from, this.to] = [this.first, this.last];
    this.canvas.style.height = `${HEAD + Math.max(1, data.lanes.length) * LANE + 4}px`;
    const untimed = data.untimed ? ` ${data.untimed} without a known time are not here.` : "";
    this.rest = `Filled: logged. Hollow: not yet. Low: NG. A dot above: circled. An amber mark below: a finding.${untimed}`;
    this.tell();
    new ResizeObserver(() => this.draw()).observe(this.canvas);
    on(matchMedia("(prefers-color-scheme: dark)"), "change", () => this.draw());
    this.listen(place);
  }

  listen(place) {
    const canvas = this.canvas;
    const zooms = { in: () => this.zoom(0.5), out: () => this.zoom(2), all: () => this.show(this.first, this.last) };
    on(picks("[data-zoom]", place), "click", ({ currentTarget }) => zooms[currentTarget.dataset.zoom]());
    on(canvas, "pointermove", (event) => {
      if (this.grip && event.buttons) {
        const span = this.to - this.from;
        const moved = ((this.grip.x - event.offsetX) / (canvas.clientWidth - GUTTER)) * span;
        if (Math.abs(this.grip.x - event.offsetX) > 3) this.grip.moved = true;
        this.show(this.grip.from + moved, this.grip.from + moved + span);
      } else this.choose(this.find(event.offsetX, event.offsetY));
    });
    on(canvas, "pointerdown", (event) => { this.grip = { x: event.offsetX, from: this.from }; });
    on(canvas, "click", (event) => {
      const found = this.find(event.offsetX, event.offsetY);
      if (found >= 0 && !this.grip?.moved) this.open(found);
      this.grip = null;
    });
    on(canvas, "pointerleave", () => { this.grip = null; if (document.activeElement !== canvas) this.choose(-1); });
    canvas.addEventListener("wheel", (event) => {
      if (!event.ctrlKey) return;
      event.preventDefault();
      this.zoom(event.deltaY < 0 ? 0.7 : 1.4, this.second(event.offsetX));
    }, { passive: false });
    on(canvas, "keydown", (event) => {
      const keys = {
        ArrowRight: () => this.step(1), ArrowLeft: () => this.step(-1),
        ArrowDown: () => this.lane(1), ArrowUp: () => this.lane(-1),
        Home: () => this.choose(0), End: () => this.choose(this.data.clips.length - 1),
        "+": () => this.zoom(0.5), "-": () => this.zoom(2), Enter: () => this.at >= 0 && this.open(this.at),
      };
      if (!keys[event.key] || event.ctrlKey || event.metaKey || event.altKey) return;
      event.preventDefault();
      keys[event.key]();
      this.reveal();
    });
  }

  second(x) { return this.from + ((x - GUTTER) / (this.canvas.clientWidth - GUTTER)) * (this.to - this.from); }
  place(second) { return GUTTER + ((second - this.from) / (this.to - this.from)) * (this.canvas.clientWidth - GUTTER); }

  show(from, to) {
    const span = Math.max(60, Math.min(to - from, this.last - this.first));
    this.from = Math.max(this.first, Math.min(from, this.last - span));
    this.to = this.from + span;
    this.draw();
  }

  zoom(by, about) {
    const clip = this.data.clips[this.at];
    const middle = about ?? (clip ? clip[2] : (this.from + this.to) / 2);
    this.show(middle - (middle - this.from) * by, middle + (this.to - middle) * by);
  }

  find(x, y) {
    const lane = Math.floor((y - HEAD) / LANE);
    let best = -1, distance = 5;
    this.data.clips.forEach((clip, index) => {
      if (clip[1] !== lane) return;
      const left = this.place(clip[2]), right = Math.max(left + 3, this.place(clip[2] + clip[3]));
      const away = x < left ? left - x : x > right ? x - right : 0;
      if (away < distance) [best, distance] = [index, away];
    });
    return best;
  }

  step(by) {
    const clips = this.data.clips;
    if (clips.length) this.choose(this.at < 0 ? (by > 0 ? 0 : clips.length - 1) : Math.max(0, Math.min(clips.length - 1, this.at + by)));
  }

  lane(by) {
    const now = this.data.clips[this.at];
    if (!now) return this.step(by);
    const others = this.data.clips.map((clip, index) => [Math.abs(clip[2] - now[2]), index, clip[1]]);
    const there = others.filter(([, , lane]) => lane === now[1] + by).sort((a, b) => a[0] - b[0]);
    if (there.length) this.choose(there[0][1]);
  }

  reveal() {
    const clip = this.data.clips[this.at];
    if (clip && (clip[2] < this.from || clip[2] > this.to)) {
      const half = (this.to - this.from) / 2;
      this.show(clip[2] - half, clip[2] + half);
    }
  }

  choose(index) {
    if (index === this.at) return;
    this.at = index;
    this.canvas.style.cursor = index >= 0 ? "pointer" : "crosshair";
    this.tell();
    this.draw();
  }

  tell() {
    const clip = this.data.clips[this.at];
    this.under.textContent = clip ? `${clip[5]}. Enter or a press opens it.` : this.rest;
  }

  open(index) { location.assign(`/clips/${this.data.clips[index][0]}`); }

  draw() {
    const { canvas, data } = this;
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
    this.ruler(pen, width, height, soft, rule);
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
      const left = this.place(second), wide = Math.max(2.5, this.place(second + length) - left);
      if (left > width || left + wide < GUTTER) return;
      const base = HEAD + lane * LANE + LANE / 2 + BAR / 2, tall = flags & NG ? BAR / 2 : BAR;
      pen.fillStyle = pen.strokeStyle = index === this.at ? flame : ink;
      if (flags & LOGGED || index === this.at) pen.fillRect(left, base - tall, wide, tall);
      else pen.strokeRect(left + 0.5, base - tall + 0.5, Math.max(1.5, wide - 1), tall - 1);
      if (flags & CIRCLED) { pen.beginPath(); pen.arc(left + wide / 2, base - BAR - 4, 2, 0, 7); pen.fill(); }
      pen.fillStyle = flame;
      if (flags & NOTICED) pen.fillRect(left, base + 2, Math.max(3, Math.min(wide, 8)), 3);
    });
    pen.restore();
  }

  ruler(pen, width, height, soft, rule) {
    let free = 0;
    const fine = this.to - this.from < 7200 ? 600 : 3600;
    for (const [start, name] of this.data.hours) {
      for (let second = start; second < start + 3600; second += fine) {
        const x = Math.round(this.place(second));
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
