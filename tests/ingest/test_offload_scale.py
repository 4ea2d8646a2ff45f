"""Memory stays small however many files a card holds: the target is 150 MB with 100,000 of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.ingest.memory_child import run_few_and_many

FEW, MANY = 1000, 2500
# 150 MB for 100,000 files, less the 84 of the program and the 24 of the ring, is some 420 bytes a file. Some
# 6,400 were measured while each was kept as objects. The rest is for the catalogue's cache, which these fill.
MOST = (MANY - FEW) * 420 + 6_000_000

CHILD = """
import io, pathlib, sys
from ingest.orders import OffloadOrder
from ingest.pipeline import run_offload
from ingest.verdict import judge_card
from ingest.durable import Disk
from shared.db import make_engine, make_sessions, reading
from shared.models import Reel
from shared.settings import Settings

def most():  # what the process ever had; the system's other measure begins with its parent's
    lines = pathlib.Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) * 1024 for line in lines if line.startswith("VmHWM"))

class Nowhere(io.TextIOBase):
    def write(self, text):
        return len(text)

root = pathlib.Path(sys.argv[1])
sessions = make_sessions(make_engine(sys.argv[2]))
# Few files are under way at once, so that the first card has as many of them as the second.
settings = Settings(home=root / "home", buffers=2, buffer_mib=1, settle_workers=1)
for name, files in (("few", int(sys.argv[3])), ("many", int(sys.argv[4]))):
    card = root / name
    for number in range(files):
        folder = card / f"DCIM/{100 + number // 1000}TREE"
        if number % 1000 == 0:
            folder.mkdir(parents=True)
        (folder / f"C{number:06}.BIN").write_bytes(f"{name} {number}".encode())
    verified = []
    for again in range(2):  # what an offload finished is proven again by the next
        order = OffloadOrder(card, (root / "one",), reel=name)
        report = run_offload(order, settings, sessions)
        report.write_json(Nowhere())
        verified += [place["verified"] for place in report.summary["destinations"]]
    with reading(sessions) as session:
        reel = session.query(Reel).filter_by(name=name).one()
    reasons = judge_card(card, reel, sessions, Disk()).reasons
    print(*verified, len(reasons), most())
"""


@pytest.mark.slow
def test_memory_by_the_file(catalogue_url: str, memory_path: Path) -> None:
    """The growth from a card of some files to one of several times as many, in a process of its own: a first
    offload, one that proves all again, the report as JSON, the verdict."""
    few, many = run_few_and_many(CHILD, memory_path, catalogue_url, FEW, MANY)
    assert few[:-1] == [FEW, FEW, 1]  # one reason why not to format: all lies on one drive
    assert many[:-1] == [MANY, MANY, 1]
    assert many[-1] - few[-1] < MOST
