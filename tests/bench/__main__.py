"""Every benchmark after another, each as a program of its own: `make bench`.

`--quick` makes the offload's tree a tenth of its size and takes two runs; such figures are only a look.
"""

from __future__ import annotations

import subprocess
import sys

IN_MEMORY = "/dev/shm/rushlight-bench"  # the cost of the software alone
PROGRAMS: tuple[tuple[str, tuple[str, ...], tuple[str, ...]], ...] = (
    ("tests.bench.bench_timecode", (), ()),
    ("tests.bench.bench_sync", (), ()),
    ("tests.bench.bench_picture", (), ("--seconds", "24")),
    ("tests.bench.bench_devices", (), ("--megabytes", "100")),
    ("tests.bench.bench_offload", (), ("--runs", "2", "--scale", "0.1")),
    (
        "tests.bench.bench_offload",
        ("--folder", IN_MEMORY),
        ("--folder", IN_MEMORY, "--runs", "2", "--scale", "0.1"),
    ),
    ("tests.bench.bench_small", (), ("--files", "2000")),
    ("tests.bench.bench_sound", (), ("--seconds", "120")),
    ("tests.bench.bench_writers", (), ("--seconds", "10")),
    ("tests.bench.bench_facets", (), ("--clips", "20000", "--requests", "50")),
    ("tests.bench.bench_pages", (), ("--clips", "20000")),
)


def main() -> None:
    quick = "--quick" in sys.argv[1:]
    for name, whole, short in PROGRAMS:
        print(f"== {name}", flush=True)
        subprocess.run([sys.executable, "-m", name, *(short if quick else whole)], check=True)


if __name__ == "__main__":
    main()
