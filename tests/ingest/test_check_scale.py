"""Memory stays small however many files there are: the target is 150 MB with 100,000 of them."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from sqlalchemy import insert

from shared.db import Sessions, writing
from shared.models import Copy, CopyState, File
from tests import factories as make
from tests.ingest.check_support import FOLDER, digest_of, make_shelf

FILES = 8_000
# 150 MB for 100,000 files, less the 95 of the program itself, is 550 bytes a file. Some 220 were measured.
MOST = FILES * 400 + 2_000_000

CHILD = """
import pathlib, sys
import api.cli.main
from ingest.check.model import CheckOrder
from ingest.check.run import run_check
from shared.db import make_engine, make_sessions

def most():  # what the process ever had; the system's other measure begins with its parent's
    lines = pathlib.Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) * 1024 for line in lines if line.startswith("VmHWM"))

sessions = make_sessions(make_engine(sys.argv[1]))
for reel in ("A001", "MANY"):
    report = run_check(CheckOrder(places=(reel,)), {}, sessions)
    verified = report.summary()["counts"]["verified"]
    print(report.exit_code, verified, most())
    report.close()
"""


@pytest.mark.slow
def test_memory_by_the_file(catalogue: Sessions, catalogue_url: str, memory_path: Path) -> None:
    """The growth from a reel of a few files to one of thousands, in a process of its own."""
    shelf = make_shelf(catalogue, memory_path, drives=1)
    with writing(catalogue) as session:
        folder = FOLDER.replace("A001", "MANY")
        production = session.get_one(File, 1).reel.production
        reel = make.make_reel(session, production, name="MANY", folder=folder)
        offload = make.make_offload(session, reel)
        rows = []
        for number in range(FILES):
            path = f"DCIM/{100 + number // 1000}CLIPS/CLIP{number:06}.MOV"
            file = shelf.drives[0] / folder / path
            if number % 1000 == 0:
                file.parent.mkdir(parents=True)
            data = path.encode()
            file.write_bytes(data)
            rows.append(
                {
                    "reel_id": reel.id,
                    "offload_id": offload.id,
                    "path": path,
                    "path_bytes": data,
                    "size": len(data),
                    "mtime_ns": 0,
                    "algorithm": "xxh128",
                    "digest": digest_of(data),
                }
            )
        ids = session.scalars(insert(File).returning(File.id), rows).all()
        written = {"destination_id": 1, "state": CopyState.WRITTEN}
        session.execute(insert(Copy), [{"file_id": one, **written} for one in ids])

    done = subprocess.run(
        [sys.executable, "-c", CHILD, catalogue_url],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[2],
        env={**os.environ, "PYTHONPATH": ""},
    )

    few_said, many_said = ([int(part) for part in line.split()] for line in done.stdout.splitlines())
    assert few_said[:2] == [0, 6]
    assert many_said[:2] == [0, FILES]
    assert many_said[2] - few_said[2] < MOST
