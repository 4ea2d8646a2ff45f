"""Very many small files: what each costs beyond the raw copy, and the memory of the whole command.

    python -m tests.bench.bench_small [--folder DIR] [--files 100000] [--bytes 2000] [--media]

The targets: under 1 ms a file and destination beyond `cp -a` to each destination and `sync`, and at most
150 MB of memory in any process of the command. `--media`: every other file is a short sound, every other a
photograph, all of them described, measured and logged as clips; then the target is 250 MB.
"""

from __future__ import annotations

import argparse
import io
import os
import resource
import shutil
import time
import wave
from collections.abc import Callable
from functools import partial
from pathlib import Path

from PIL import Image

from tests.bench.bench_offload import Bench, drop_caches

PER_FOLDER = 1000


def make_files(folder: Path, files: int, size: int) -> int:
    for n in range(files):
        below = folder / "DCIM" / f"{100 + n // PER_FOLDER}TREE"
        if n % PER_FOLDER == 0:
            below.mkdir(parents=True)
        (below / f"C{n:06d}.BIN").write_bytes(os.urandom(size))
    return files * size


def make_media(folder: Path, files: int) -> int:
    for n in range(files):
        below = folder / "DCIM" / f"{100 + n // PER_FOLDER}TREE"
        if n % PER_FOLDER == 0:
            below.mkdir(parents=True)
        kind, make = (("WAV", _sound), ("JPG", _photograph))[n % 2]
        (below / f"C{n:06d}.{kind}").write_bytes(make(n))
    return sum(path.stat().st_size for path in folder.rglob("*.*"))


def _sound(number: int) -> bytes:
    out = io.BytesIO()
    with wave.open(out, "wb") as sound:
        sound.setnchannels(1)
        sound.setsampwidth(2)
        sound.setframerate(8000)
        sound.writeframes(number.to_bytes(4, "little") * 200)
    return out.getvalue()


def _photograph(number: int) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (16, 12)).save(out, "JPEG", comment=str(number).encode())
    return out.getvalue()


def seconds(bench: Bench, work: Callable[[], None]) -> float:
    bench.fresh()
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--folder", type=Path, default=Path("/var/tmp/rushlight-small"))
    parser.add_argument("--files", type=int, default=100_000)
    parser.add_argument("--bytes", type=int, default=2000)
    parser.add_argument("--media", action="store_true")
    options = parser.parse_args()
    of_bytes = partial(make_files, files=options.files, size=options.bytes)
    shutil.rmtree(options.folder, ignore_errors=True)
    options.folder.mkdir(parents=True)
    try:
        bench = Bench(options.folder, partial(make_media, files=options.files) if options.media else of_bytes)
        kind = "media files" if options.media else f"files of {options.bytes:,} bytes"
        print(f"{options.files:,} {kind}, caches dropped: {drop_caches()}")
        floor = seconds(bench, bench.floor)
        bare = seconds(bench, bench.ours_bare)
        whole = seconds(bench, bench.ours)
    finally:
        shutil.rmtree(options.folder, ignore_errors=True)
    print(f"cp -a twice, sync  {floor:7.1f} s")
    for name, took in (("copying alone", bare), ("whole command", whole)):
        beyond = (took - floor) / options.files / len(bench.places) * 1000
        print(f"{name:<18} {took:7.1f} s, {beyond:5.2f} ms a file and destination beyond that")
    print(f"largest process: {resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
