"""What a page of clips and its facet counts cost through HTTP, and the same counts by SQL in the same run.

    python -m tests.bench.bench_facets [--clips 100000 1000000] [--folder DIR] [--requests 200]

A log is made for each size (kept in the folder, used again), the real service is started on it, and one
client asks one question after another on one connection. No question is asked twice in a row: filters,
days and words go round, rare words never come again. A page of clips is asked for again and again, which is
answered from what is kept, and with an address that is new each time. The targets: with counts p95 at most
20 ms at 100,000 clips and 60 ms at a million; the plain page at most 1.5 times an endpoint that does nothing.
"""

from __future__ import annotations

import argparse
import http.client
import itertools
import json
import os
import platform
import random
import re
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import numpy as np
import psutil  # type: ignore[import-untyped]
from sqlalchemy import update

from shared.catalogue.facets import facets
from shared.catalogue.productions import find_production
from shared.db import make_engine, make_sessions, reading, writing
from shared.facets.index import FacetIndex
from shared.models import LogEntry
from shared.vocabulary import load_vocabulary
from tests.bench.make_log import WORDS, make_log, make_words

SEED = 1
SLUG = "one-river"
RUSHLIGHT = Path(sys.executable).with_name("rushlight")
WARM_UP = 30
BY_SQL = {1_000_000: 1}  # times each question is asked by SQL, else 3
MOST_MS = {100_000: 20, 1_000_000: 60}
PAGE = 48


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table: addresses that go round, and the same question for SQL, if it counts."""

    name: str
    addresses: Sequence[str]
    query: str | None = None
    edits: bool = False


@dataclass(frozen=True, slots=True)
class Times:
    p50: float  # milliseconds
    p95: float


# -- questions ----------------------------------------------------------------------------------------


def facets_of(queries: Sequence[str]) -> list[str]:
    return ["/api/v1/clips/facets?" + urlencode({"production": SLUG, "q": query}) for query in queries]


def make_rows(fields: Mapping[str, Any], dice: random.Random) -> list[Row]:
    """`fields` as the service counts them for the whole production."""
    terms = [
        f'{field}:"{one["value"]}"'
        for field in ("kind", "size", "rating", "camera", "day", "tag", "person", "finding", "lens")
        for one in fields[field][:12]
    ]
    dice.shuffle(terms)
    words = make_words(np.random.default_rng(SEED), WORDS)
    common = [*words[:12], "good", "day", "interior", "tripod", "clip", "camera", "exterior", "wide"]
    rare = words[WORDS // 2 :]
    dice.shuffle(rare)
    three = [f"{a} {b} -{c}" for a, b, c in zip(terms, terms[7:], terms[13:], strict=False)]
    clips = "/api/v1/clips?" + urlencode({"production": SLUG, "limit": PAGE})
    return [
        Row("an endpoint that does nothing", ["/api/v1/health"]),
        Row(f"{PAGE} clips", [clips]),
        # What the service does not know is part of the address all the same: nothing kept answers it.
        Row(f"{PAGE} clips, asked for the first time", [f"{clips}&first={number}" for number in range(1000)]),
        Row(f"{PAGE} clips, identity alone", [f"{clips}&fields=id,name"]),
        Row("counts, no filter", facets_of([""]), ""),
        Row("counts, one filter", facets_of(terms), terms[0]),
        Row("counts, three filters", facets_of(three), three[0]),
        Row("counts, a rare word, new each time", facets_of(rare), rare[0]),
        Row("counts, a common word", facets_of(common), common[2]),
        Row("counts, a common word and a filter", facets_of(_both(common, terms)), f"{common[2]} {terms[0]}"),
        Row("counts, no filter, after an edit each time", facets_of([""]), None, edits=True),
        Row("find page, no filter", ["/find?" + urlencode({"production": SLUG})]),
        Row("find page, one filter", [_find(query) for query in terms]),
        Row("find page, a common word", [_find(query) for query in common]),
    ]


def _both(words: Sequence[str], terms: Sequence[str]) -> list[str]:
    return [f"{word} {term}" for word, term in zip(itertools.cycle(words), terms, strict=False)]


def _find(query: str) -> str:
    return "/find?" + urlencode({"production": SLUG, "q": query})


# -- the service --------------------------------------------------------------------------------------


@contextmanager
def serving(file: Path, home: Path) -> Iterator[tuple[http.client.HTTPConnection, psutil.Process]]:
    """The command itself on a free port, with no worker beside it."""
    home.mkdir(exist_ok=True)
    environment = {**os.environ, "RUSHLIGHT_HOME": str(home), "RUSHLIGHT_DATABASE": f"sqlite:///{file}"}
    service = subprocess.Popen(
        [RUSHLIGHT, "serve", "--alone", "--port", "0"], env=environment, stdout=subprocess.PIPE, text=True
    )
    assert service.stdout is not None
    try:
        found = re.search(r"http://([^:/]+):([0-9]+)/", service.stdout.readline())
        assert found is not None, "the service says where it listens"
        connection = http.client.HTTPConnection(found[1], int(found[2]))
        yield connection, psutil.Process(service.pid)
        connection.close()
    finally:
        service.terminate()
        service.wait(60)


def get(connection: http.client.HTTPConnection, address: str) -> bytes:
    connection.request("GET", address)
    answer = connection.getresponse()
    body = answer.read()
    assert answer.status == 200, f"{address}: {answer.status} {body[:200]!r}"
    return body


def wait_until_idle(process: psutil.Process) -> None:
    """Words of many clips are read in the background after the start."""
    while process.cpu_percent(1.0) > 3:
        pass


# -- measuring ----------------------------------------------------------------------------------------


def measure(
    connection: http.client.HTTPConnection, row: Row, requests: int, editor: Iterator[None] | None
) -> Times:
    connection.close()  # one that was idle may have been closed there
    addresses = itertools.cycle(row.addresses)
    for _ in range(WARM_UP):
        get(connection, next(addresses))
    took: list[float] = []
    for _ in range(requests):
        if editor is not None and row.edits:
            next(editor)
        began = time.perf_counter()
        get(connection, next(addresses))
        took.append((time.perf_counter() - began) * 1000)
    return Times(statistics.median(took), statistics.quantiles(took, n=20)[-1])


def edit(file: Path, dice: random.Random) -> Iterator[None]:
    """Another process than the service rates one clip after another."""
    engine = make_engine(f"sqlite:///{file}")
    sessions = make_sessions(engine)
    try:
        while True:
            with writing(sessions) as session:
                key = dice.randrange(1, 1000)
                session.execute(update(LogEntry).where(LogEntry.id == key).values(rating="circled"))
            yield
    finally:
        engine.dispose()


def count_by_sql(file: Path, query: str, times: int) -> float:
    """Median milliseconds of the same counts by GROUP BY, with nothing around them."""
    engine = make_engine(f"sqlite:///{file}")
    vocabulary = load_vocabulary()
    took: list[float] = []
    with reading(make_sessions(engine)) as session:
        production = find_production(session, SLUG)
        for _ in range(times):
            began = time.perf_counter()
            facets(session, production, query, vocabulary)
            took.append((time.perf_counter() - began) * 1000)
    engine.dispose()
    return statistics.median(took)


def build(file: Path) -> None:
    """In a process of its own: what reading everything costs, as JSON."""
    sessions = make_sessions(make_engine(f"sqlite:///{file}"))
    index = FacetIndex(sessions)
    with reading(sessions) as session:
        production = find_production(session, SLUG)
        before, began = _megabytes(), time.perf_counter()
        index.count(session, production, "", load_vocabulary())
        built, after = time.perf_counter() - began, _megabytes()
    index.prepare()
    words = time.perf_counter() - began - built
    print(
        json.dumps({"build": built, "memory": after - before, "words": words, "more": _megabytes() - after})
    )


def _megabytes() -> float:
    return float(psutil.Process().memory_info().rss) / 2**20


# -- the table ----------------------------------------------------------------------------------------


def bench(file: Path, clips: int, requests: int) -> bool:
    """Print the table of one size; whether the targets are met."""
    command = [sys.executable, "-m", "tests.bench.bench_facets", "--build", str(file)]
    cost = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    print(f"\n{clips:,} clips, {file.stat().st_size / 2**20:,.0f} MiB on disk\n")
    print(
        f"Reading everything: {cost['build']:.1f} s, {cost['memory']:.0f} MiB; common words: "
        f"{cost['words']:.1f} s more, {cost['more']:.0f} MiB more.\n"
    )
    print("| question | p50 ms | p95 ms | by SQL ms |\n| --- | ---: | ---: | ---: |")
    dice, met, editor = random.Random(SEED), True, edit(file, random.Random(SEED))
    times: dict[str, Times] = {}
    with serving(file, file.parent / "home") as (connection, process):
        began = time.perf_counter()
        whole = json.loads(get(connection, facets_of([""])[0]))
        first = time.perf_counter() - began
        wait_until_idle(process)
        for row in make_rows(whole["fields"], dice):
            times[row.name] = found = measure(connection, row, requests, editor)
            by_sql = (
                "" if row.query is None else f"{count_by_sql(file, row.query, BY_SQL.get(clips, 3)):,.0f}"
            )
            print(f"| {row.name} | {found.p50:.1f} | {found.p95:.1f} | {by_sql} |", flush=True)
            if row.name.startswith("counts") and clips in MOST_MS and not row.edits:
                met &= found.p95 <= MOST_MS[clips]
        memory = process.memory_info().rss / 2**20
    editor.close()  # type: ignore[attr-defined]
    empty = times["an endpoint that does nothing"].p50
    print(f"\nFirst answer after the start: {first:.1f} s. Memory of the service: {memory:.0f} MiB.")
    pages = (f"{PAGE} clips", f"{PAGE} clips, asked for the first time", f"{PAGE} clips, identity alone")
    for name in pages:
        print(f"{name}: {times[name].p50 / empty:.1f} times the endpoint that does nothing.")
    return met


def describe_machine() -> str:
    model = platform.processor()
    for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
        if line.startswith("model name"):
            model = line.partition(":")[2].strip()
    memory = psutil.virtual_memory().total / 2**30
    return (
        f"{psutil.cpu_count()} cores ({model}), {memory:.0f} GiB, {platform.system()}, Python "
        f"{platform.python_version()}; load before the run {os.getloadavg()[0]:.1f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--folder", type=Path, default=Path("/var/tmp/rushlight-log"))
    parser.add_argument("--clips", type=int, nargs="+", default=[100_000, 1_000_000])
    parser.add_argument("--requests", type=int, default=200)
    parser.add_argument("--build", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.build is not None:
        build(options.build)
        return
    options.folder.mkdir(parents=True, exist_ok=True)
    print(describe_machine())
    met = True
    for clips in options.clips:
        file = options.folder / f"{clips}.sqlite"
        if not file.exists():
            made = make_log(file, clips, SEED)
            print(f"made a log of {clips:,} clips in {made.seconds:.0f} s")
        met &= bench(file, clips, options.requests)
    print("\nThe targets are met." if met else "\nThe targets are NOT met.")


if __name__ == "__main__":
    main()
