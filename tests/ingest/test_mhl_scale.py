"""Very many files: the memory of a generation does not grow with them beyond a small bound.

`SOAK_RECORDS=100000` makes it as many as the largest cards hold.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

RECORDS = int(os.environ.get("SOAK_RECORDS", "30000"))
ALLOWED_MB = 30 * RECORDS / 100_000

CHILD = f"""
import sys
from datetime import UTC, datetime
from pathlib import Path
from ingest.durable import Disk
from ingest.mhl import FileHash, FileRecord, append_generation

def records(count):
    for n in range(count):
        yield FileRecord(
            f"DCIM/{{n // 1000:03d}}/C{{n:06d}}.mov", n, datetime(2031, 5, 4, tzinfo=UTC),
            (FileHash("xxh128", f"{{n * 7919:032x}}"),),
        )

def peak():  # in MB, of this process alone; the system's other measure begins with its parent's
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM"))

def add(root, count, minute):
    append_generation(
        Disk(), Path(root), records(count), process="transfer", algorithm="xxh128", complete=True,
        started_at=datetime(2031, 5, 4, 6, minute, tzinfo=UTC),
    )

add(sys.argv[1] + "/warm", 10, 0)
before = peak()
add(sys.argv[1] + "/large", {RECORDS}, int(sys.argv[2]))
print(peak() - before)
"""


@pytest.mark.slow
def test_memory_of_a_large_generation(tmp_path: Path) -> None:
    """Peak of the resident memory of a child process, for a first generation and for a second one."""
    if sys.platform != "linux":
        pytest.skip("only Linux tells a process its peak there")
    (tmp_path / "warm").mkdir()
    (tmp_path / "large").mkdir()
    for minute in range(2):
        done = subprocess.run(
            [sys.executable, "-c", CHILD, str(tmp_path), str(minute)],
            cwd=Path(__file__).parents[2],
            capture_output=True,
            text=True,
            check=True,
        )
        print("PEAK", done.stdout)
    assert float(done.stdout) < ALLOWED_MB
    manifests = sorted((tmp_path / "large/ascmhl").glob("*.mhl"))
    assert [path.read_text().count("</hash>") for path in manifests] == [RECORDS, RECORDS]
    assert 'action="verified"' in manifests[1].read_text()
    assert 'action="failed"' not in manifests[1].read_text()
