"""How fast the pages are over a large log: `python -m tests.bench.bench_pages [--clips 100000]`.

First contentful paint as the browser itself reports it (W3C Paint Timing), of a window whose cache is empty;
the median of five. A facet's click to its results in place. What the pages weigh. Aims: 300 ms, 100 ms, 60 KB
of HTML and 60 KB of script. Of an outline of sixty items with jump cuts, also the service's whole answer, and
an item trimmed up to the page that shows it: 100 ms each.
"""

from __future__ import annotations

import argparse
import os
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlencode
from urllib.request import Request, urlopen

from lxml import html
from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright
from sqlalchemy import select

from shared.catalogue.outline_values import Range, cover_values, parts_for
from shared.catalogue.outlines import add_item, make_outline
from shared.catalogue.productions import find_production
from shared.catalogue.rows import RowsEdit
from shared.db import Sessions, make_sessions, open_catalogue, writing
from shared.models import Clip, ClipMedia, ItemKind
from shared.settings import load_settings
from tests.api.browser.serving import launch, until
from tests.bench.make_log import make_log

RUNS = 5
PAINT = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime"


def fresh(browser: Browser) -> Page:
    return browser.new_context(viewport={"width": 1440, "height": 900}).new_page()


def first_paint(browser: Browser, address: str) -> float:
    took = []
    for _ in range(RUNS):
        tab = fresh(browser)
        tab.goto(address)
        until(tab, f"{PAINT} > 0")
        took.append(float(tab.evaluate(PAINT)))
        tab.context.close()
    return statistics.median(took)


def facet_clicks(browser: Browser, address: str) -> tuple[float, float]:
    """Median and slowest, from the press to the new results in the page."""
    tab = fresh(browser)
    tab.goto(address)
    took = []
    for place in range(20):
        links = tab.locator(".facets a:not([aria-current])")
        at = (place * 7) % links.count()
        took.append(
            float(
                tab.evaluate(
                    """async (at) => {
                    const links = [...document.querySelectorAll('.facets a:not([aria-current])')];
                    performance.clearMarks('results');
                    const began = performance.now();
                    links[at].click();
                    while (!performance.getEntriesByName('results').length)
                      await new Promise(done => setTimeout(done, 1));
                    return performance.getEntriesByName('results')[0].startTime - began; }""",
                    at,
                )
            )
        )
        if place % 3 == 2:
            tab.goto(address)
    tab.context.close()
    return statistics.median(took), max(took)


@dataclass
class Saves:
    """`answered`: from the sending of an edit to its answer; `keyed`: from a key to the answer that it is
    saved; both in ms. `typed`: seconds in all, of one run each."""

    typed: list[float] = field(default_factory=list)
    answered: list[float] = field(default_factory=list)
    keyed: list[float] = field(default_factory=list)

    def say(self, when: str) -> str:
        return (
            f"12 entries by keys {when:<22} {statistics.median(self.typed):.1f} s, "
            f"{len(self.answered) / len(self.typed):.0f} saves, p95 {p95(self.answered):.0f} ms "
            f"(median {statistics.median(self.answered):.0f}); key to saved p95 {p95(self.keyed):.0f} ms "
            f"(median {statistics.median(self.keyed):.0f})"
        )


def p95(values: list[float]) -> float:
    return sorted(values)[int(len(values) * 0.95)]


WATCH_SAVES = """() => {
  Object.assign(window, { answered: [], keyed: [] });
  const keys = {};
  addEventListener('keydown', ({ key }) => {
    const clip = document.querySelector('#open').href.split('/').at(-1);
    if (key.length === 1) (keys[clip] ??= []).push(performance.now());
  }, true);
  const before = window.fetch;
  window.fetch = async (...given) => {
    if (given[1]?.method !== 'PATCH') return before(...given);
    const began = performance.now(), clip = /clips.(\\d+)/.exec(given[0])[1];
    const fields = Object.keys(JSON.parse(given[1].body)).length;
    const answer = await before(...given), end = performance.now();
    window.answered.push(end - began);
    window.keyed.push(...keys[clip].splice(0, fields).map((pressed) => end - pressed));
    return answer; }; }"""


def log_twelve(browser: Browser, address: str, rest: float) -> Saves:
    """Twelve entries of five fields by keys without a pause, five times; other values each time.

    `rest`: seconds between the opened page and the first key. A browser goes on working for itself after a
    page has come, for a fifth of a second, on the same two processors.
    """
    saves = Saves()
    for run in range(RUNS):
        tab = fresh(browser)
        tab.goto(address)
        tab.wait_for_selector("#desk[data-ready]")
        time.sleep(rest)
        tab.evaluate(WATCH_SAVES)
        began = time.perf_counter()
        for _ in range(12):
            for _ in range(5):
                tab.keyboard.press(tab.locator("#values kbd").nth(1 + run % 2).inner_text())
            tab.keyboard.press("Enter")
        saves.typed.append(time.perf_counter() - began)
        until(tab, "!document.querySelector('#saved').textContent.startsWith('Saving')")
        saves.answered.extend(tab.evaluate("window.answered"))
        saves.keyed.extend(tab.evaluate("window.keyed"))
        tab.context.close()
    return saves


def make_film(sessions: Sessions, slug: str) -> int:
    """An outline of sixty ranges of thirty clips, each clip cut to itself, every third item covered."""
    with writing(sessions) as session:
        production = find_production(session, slug)
        own = select(Clip).where(Clip.production_id == production.id, Clip.media == ClipMedia.VIDEO)
        clips = session.scalars(own.order_by(Clip.id).limit(20_000)).all()[::650][:30]
        edit = RowsEdit(session, production, "bench", "an outline")
        outline = make_outline(edit, "The cut", 600)
        for place, clip in enumerate(clip for clip in clips for _ in range(2)):
            ranges = [Range(clip, place % 2 * 12, place % 2 * 12 + 10)]
            values = {"parts": parts_for(session, ItemKind.SCENE, ranges)}
            if place % 3 == 0:
                values["covers"] = [cover_values(Range(clips[0], 0, 5), 2)]
            add_item(edit, outline, ItemKind.SCENE, values)
        edit.close()
        return outline.id


def answers(base: str, outline: int) -> tuple[float, float]:
    """Milliseconds of the page's whole answer, and of an item trimmed up to the page that shows it."""
    address = f"{base}/outline?outline={outline}"
    shown, trimmed = [], []
    for _ in range(RUNS + 1):
        began = time.perf_counter()
        page: Any = html.fromstring(_read(Request(address)))
        shown.append((time.perf_counter() - began) * 1000)
        form = page.xpath("//form[@class='trim']")[0]
        values = urlencode([*form.form_values(), ("step", "out-on")]).encode()
        began = time.perf_counter()
        _read(Request(base + form.get("action"), values, {"Origin": base, "Accept": "text/html"}))
        trimmed.append((time.perf_counter() - began) * 1000)
    return statistics.median(shown[1:]), statistics.median(trimmed[1:])


def _read(request: Request) -> bytes:
    with urlopen(request) as answer:
        body: bytes = answer.read()
    return body


def weigh(browser: Browser, address: str) -> tuple[int, int]:
    """Bytes of the page and of all its scripts."""
    tab = fresh(browser)
    sizes = {"document": 0, "script": 0}
    tab.on(
        "response",
        lambda answer: (
            sizes.update(
                {
                    answer.request.resource_type: sizes.get(answer.request.resource_type, 0)
                    + int(answer.headers.get("content-length", 0))
                }
            )
            if answer.request.resource_type in sizes
            else None
        ),
    )
    tab.goto(address, wait_until="networkidle")
    tab.context.close()
    return sizes["document"], sizes["script"]


@contextmanager
def serving(home: Path) -> Iterator[str]:
    """The service as a maker runs it: a process of its own, with what a large log needs read beforehand."""
    process = subprocess.Popen(
        [Path(sys.executable).with_name("rushlight"), "serve", "--alone", "--port", "0"],
        env=os.environ | {"RUSHLIGHT_HOME": str(home)},
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        base = process.stdout.readline().split("http://")[1].split("/")[0]
        began = time.perf_counter()
        with urlopen(f"http://{base}/find") as answer:
            answer.read()
        print(f"first page with counts after {time.perf_counter() - began:.1f} s")
        time.sleep(2)
        yield f"http://{base}"
    finally:
        process.send_signal(signal.SIGINT)
        process.wait()


def draw_stills(folder: Path, clips: int) -> None:
    """The same picture for the clips that stand on the first pages; elsewhere the files are missing."""
    picture = Image.linear_gradient("L").resize((640, 360)).convert("RGB")
    for clip in [*range(1, 61), *range(max(1, clips - 20_000), clips)]:
        place = folder / str(clip) / "0.jpg"
        place.parent.mkdir(parents=True, exist_ok=True)
        picture.save(place, quality=80)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--clips", type=int, default=100_000)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        home = Path(scratch)
        made = make_log(home / "catalogue.db", options.clips)
        settings = load_settings(home=home)
        draw_stills(settings.stills_folder, options.clips)
        engine = open_catalogue(settings.database_url)
        film = make_film(make_sessions(engine), made.slug)
        engine.dispose()
        with serving(home) as base, sync_playwright() as playwright:
            browser = launch(playwright)
            for name in ("days", "days/60", "find", f"find?q={made.common_word}", f"outline?outline={film}"):
                address = f"{base}/{name}{'&' if '?' in name else '?'}production={made.slug}"
                paint = first_paint(browser, address)
                page, script = weigh(browser, address)
                print(
                    f"/{name:<24} first paint {paint:6.0f} ms   html {page / 1000:5.1f} kB   "
                    f"script {script / 1000:5.1f} kB"
                )
            shown, trimmed = answers(base, film)
            print(f"outline of 60 items         answer {shown:.0f} ms, an item trimmed {trimmed:.0f} ms")
            median, slowest = facet_clicks(browser, f"{base}/find?production={made.slug}")
            print(f"facet click to results      median {median:.0f} ms, slowest of 20 {slowest:.0f} ms")
            log = f"{base}/log?production={made.slug}"
            print(log_twelve(browser, log, 0.5).say("after half a second"))
            print(log_twelve(browser, log, 0.0).say("at once"))
            browser.close()


if __name__ == "__main__":
    main()
