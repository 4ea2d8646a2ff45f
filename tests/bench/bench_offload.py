"""The offload against general copy and checksum tools, in one run, as medians and ratios.

    python -m tests.bench.bench_offload [--folder DIR] [--runs 5] [--scale 1.0]

The tree is 4 files of 600 MB, 40 of 10 MB and 200 of 100 KB (times `--scale`). Caches are dropped before
every run (as root; otherwise the output says that they were not). Variants take turns, each beginning the
round in its turn, so that a machine whose speed drifts treats them alike.

- floor: `cp -a` to each destination, then `sync`. Nothing is verified.
- hand: the same guarantee by hand: `cp -a` twice, `sync`, `xxhsum` of the source, drop the cache,
  `xxhsum -c` of both copies.
- rsync: `rsync -a` twice, `sync`, drop, `rsync -a --checksum -n` twice.
- ours: `rushlight offload` as a whole command, catalogue, hash lists and verdict included.
- ours_bare (by `--only`): the copying alone, with all its proofs.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

SETTLING = 2.0  # seconds for a drive to be done with what was erased
TREE = ((4, 600_000_000), (40, 10_000_000), (200, 100_000))


def make_tree(folder: Path, scale: float) -> int:
    """Random bytes, so that no layer below can compress or share them. Returns the total."""
    total = 0
    for number, (count, size) in enumerate(TREE):
        below = folder / "DCIM" / f"{100 + number}TREE"
        below.mkdir(parents=True)
        for n in range(count):
            with (below / f"C{n:04d}.BIN").open("wb") as out:
                left = int(size * scale)
                total += left
                while left:
                    piece = os.urandom(min(left, 1 << 24))
                    out.write(piece)
                    left -= len(piece)
    return total


def touch_memory(folder: Path, count: int) -> None:
    """Use as much memory as the run will: a virtual machine's is slow when used for the first time."""
    file = folder / "touched"
    with file.open("wb") as out:
        for _ in range(count // 2**20):
            out.write(b"\1" * 2**20)
    file.unlink()


def drop_caches() -> bool:
    """Forget every clean page. Needs root."""
    os.sync()
    try:
        Path("/proc/sys/vm/drop_caches").write_text("3")
    except OSError:
        return False
    return True


def call(*command: str | Path, cwd: Path | None = None, env: dict[str, str] | None = None) -> None:
    subprocess.run([str(c) for c in command], check=True, cwd=cwd, env=env, stdout=subprocess.DEVNULL)


class Bench:
    """`make`: makes the card's files below a folder and returns their bytes."""

    def __init__(self, folder: Path, make: Callable[[Path], int]) -> None:
        self.folder = folder
        self.card = folder / "card"
        self.places = (folder / "one", folder / "two")
        self.home = folder / "home"
        self.env = {**os.environ, "RUSHLIGHT_HOME": str(self.home)}
        self.total = make(self.card)
        if Path("/dev/shm") in folder.parents:
            touch_memory(folder, 2 * self.total)

    def fresh(self) -> None:
        for path in (*self.places, self.home):
            shutil.rmtree(path, ignore_errors=True)
            path.mkdir()
        # As for every card but a person's first: the production is there.
        call(sys.executable, "-m", "api.cli", "new", "Benchmark", env=self.env)
        os.sync()
        drop_caches()

    def floor(self) -> None:
        for place in self.places:
            call("cp", "-a", self.card, place)
        call("sync")

    def hand(self) -> None:
        self.floor()
        files = sorted(str(p.relative_to(self.card)) for p in self.card.rglob("*") if p.is_file())
        sums = self.home / "sums"
        with sums.open("w") as out:
            subprocess.run(["xxhsum", "-H2", *files], cwd=self.card, stdout=out, check=True)
        drop_caches()
        for place in self.places:
            call("xxhsum", "-c", sums, cwd=place / "card")

    def rsync(self) -> None:
        for place in self.places:
            call("rsync", "-a", self.card, place)
        call("sync")
        drop_caches()
        for place in self.places:
            call("rsync", "-a", "--checksum", "-n", self.card, place)

    def ours(self) -> None:
        to = [word for place in self.places for word in ("--to", str(place))]
        call(sys.executable, "-m", "api.cli", "offload", self.card, *to, "--json", env=self.env)

    def ours_bare(self) -> None:
        """The copying alone: no catalogue, no hash list, no media."""
        call(sys.executable, "-m", "tests.bench.bare_copy", self.card, *self.places)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--folder", type=Path, default=Path("/var/tmp/rushlight-bench"))
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--scale", type=float, default=1.0)
    parser.add_argument("--only", nargs="*", default=["floor", "hand", "rsync", "ours"])
    options = parser.parse_args()
    shutil.rmtree(options.folder, ignore_errors=True)
    options.folder.mkdir(parents=True)
    try:
        bench = Bench(options.folder, partial(make_tree, scale=options.scale))
        print(f"{bench.total / 1e9:.2f} GB, {os.cpu_count()} cores, caches dropped: {drop_caches()}")
        times = run(bench, options.only, options.runs)
    finally:
        shutil.rmtree(options.folder, ignore_errors=True)
    show(times)


def run(bench: Bench, names: list[str], runs: int) -> dict[str, list[float]]:
    times: dict[str, list[float]] = {name: [] for name in names}
    for number in range(runs):
        turn = number % len(names)  # whoever follows a heavy writer may have to wait for its drive
        for name in names[turn:] + names[:turn]:
            bench.fresh()
            time.sleep(SETTLING)
            work: Callable[[], None] = getattr(bench, name)
            began = time.perf_counter()
            work()
            times[name].append(time.perf_counter() - began)
            print(f"  run {number + 1} {name:<10} {times[name][-1]:7.2f} s", flush=True)
    return times


def show(times: dict[str, list[float]]) -> None:
    ours = times.get("ours") or times.get("ours_bare")
    for name, values in times.items():
        line = f"{name:<10} median {statistics.median(values):7.2f} s"
        line += f"  min {min(values):.2f}  max {max(values):.2f}"
        if ours and values is not ours:
            line += f"  ours is {statistics.median(values) / statistics.median(ours):.2f} x as fast"
        print(line)
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"largest child process: {peak:.0f} MB")


if __name__ == "__main__":
    main()
