"""The copy on devices of known speed: how near does it come to what the slowest of them allows?

    python -m tests.bench.bench_devices [--folder DIR] [--megabytes 600]

Each device's bound is the time that its own bytes take at its rate: a destination is written and read
back, so its bytes count twice. The figure is the largest bound over the time measured; 95 % is the target.
The folder should be in memory (the default is), so that nothing but the simulated devices is slow.
`memory`: what the process holds at most beyond what it held before; the ring of buffers is 24 MiB.
"""

from __future__ import annotations

import argparse
import os
import shutil
import threading
import time
from pathlib import Path

from ingest.card import read_card
from ingest.copy import CopyOptions, copy
from ingest.plan import make_plan, open_places
from ingest.progress import Counters
from tests.bench.bench_offload import touch_memory
from tests.bench.slow_devices import Device, Slow

MB = 1e6
CASES = (
    ("one SSD", 400, (500,)),
    ("two equal SSDs", 400, (500, 500)),
    ("two equal hard disks", 400, (150, 150)),
    ("SSD and hard disk", 400, (500, 150)),
    ("slow reader, two SSDs", 90, (500, 500)),
    ("three unequal", 400, (500, 250, 150)),
)
SIZES = ((0.6, 3), (0.3, 30), (0.1, 300))  # share of the bytes, in so many files


def make_card(card: Path, total: int) -> None:
    for number, (share, count) in enumerate(SIZES):
        folder = card / "DCIM" / f"{100 + number}TREE"
        folder.mkdir(parents=True)
        for n in range(count):
            (folder / f"C{n:04d}.BIN").write_bytes(os.urandom(int(total * share / count)))


class Memory:
    """The most that this process holds, looked at ten times a second."""

    def __init__(self) -> None:
        self.before = self.most = self._now()
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def _watch(self) -> None:
        while not self._ended.wait(0.1):
            self.most = max(self.most, self._now())

    def end(self) -> float:
        """Megabytes beyond what it held at first."""
        self._ended.set()
        self._thread.join()
        return (self.most - self.before) / MB

    @staticmethod
    def _now() -> int:
        return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGESIZE")


def run(folder: Path, name: str, reader: int, drives: tuple[int, ...]) -> None:
    card = folder / "card"
    roots = [folder / f"drive-{n}" for n in range(len(drives))]
    for root in roots:
        shutil.rmtree(root, ignore_errors=True)
        root.mkdir()
    devices = [Device(card, reader * MB), *(Device(r, d * MB) for r, d in zip(roots, drives, strict=True))]
    disk = Slow(devices)
    listing = read_card(card, disk)
    places, _ = open_places(listing, roots, "bench/reel", disk)
    plan = make_plan(listing, places, lambda _: {}, disk, margin_percent=0, prove_again=False)
    memory = Memory()
    began = time.perf_counter()
    copied = copy(plan, disk, CopyOptions(), counters=Counters.for_places(len(places)))
    took = time.perf_counter() - began
    assert not copied.stopped
    assert all(r.settled_everywhere and r.error is None for r in copied.results)
    bound = max(device.shortest for device in devices)
    speeds = " + ".join(map(str, drives))
    print(
        f"{name:<22} {reader} MB/s to {speeds:<15} {took:6.2f} s, bound {bound:6.2f} s: "
        f"{bound / took:6.1%}  memory {memory.end():5.0f} MB",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--folder", type=Path, default=Path("/dev/shm/rushlight-devices"))
    parser.add_argument("--megabytes", type=int, default=600)
    options = parser.parse_args()
    shutil.rmtree(options.folder, ignore_errors=True)
    try:
        make_card(options.folder / "card", options.megabytes * 1_000_000)
        touch_memory(options.folder, options.megabytes * 1_000_000 * max(len(case[2]) for case in CASES))
        for case in CASES:
            run(options.folder, *case)
    finally:
        shutil.rmtree(options.folder, ignore_errors=True)


if __name__ == "__main__":
    main()
