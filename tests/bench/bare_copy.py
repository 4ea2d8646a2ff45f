"""The copy engine alone, for the benchmarks: `python -m tests.bench.bare_copy CARD DIR…`."""

from __future__ import annotations

import sys
from pathlib import Path

from ingest.card import read_card
from ingest.copy import CopyOptions, copy
from ingest.durable import Disk
from ingest.plan import make_plan, open_places
from ingest.progress import Counters


def main(card: str, *to: str) -> None:
    disk = Disk()
    listing = read_card(Path(card), disk)
    places, _ = open_places(listing, [Path(path) for path in to], "bench/reel", disk)
    plan = make_plan(listing, places, lambda _: {}, disk, margin_percent=0, prove_again=False)
    copied = copy(plan, disk, CopyOptions(), counters=Counters.for_places(len(places)))
    assert not copied.stopped
    assert all(result.settled_everywhere and result.error is None for result in copied.results)


if __name__ == "__main__":
    main(*sys.argv[1:])
