"""Memory stays small however many media files a card holds: the target is 250 MB with 100,000 of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.ingest.memory_child import run_few_and_many

FEW, MANY = 50, 350
# 250 MB for 100,000 files, less what the program and its fixed parts take, is some 1300 bytes a file; some
# 16,000 were measured while each was kept as rows. The rest is for what has a limit and is not full yet.
MOST = (MANY - FEW) * 1300 + 500_000

# The files are described and measured at once, by nobody: the children have a memory of their own.
CHILD = """
import pathlib, sys, tracemalloc
from concurrent.futures import ThreadPoolExecutor
import ingest.findings, ingest.measuring, ingest.pipeline, ingest.recheck, ingest.record_clips
import ingest.suggesting, shared.catalogue.text
from ingest.measure.sound_numbers import SoundMeasured
from ingest.media.facts import NOTE, Described, Facts, Noticed, StillTaken
from ingest.orders import OffloadOrder
from shared.db import make_engine, make_sessions, reading
from shared.models import Clip, Measurement
from shared.settings import Settings

class Pool:
    def __init__(self, settings, *, measuring=False):
        self.work = ThreadPoolExecutor(1)
    def __enter__(self):
        return self
    def __exit__(self, *_):
        self.work.shutdown()
    def describe(self, path, into, stem):
        return self.work.submit(self.say, path, stem)
    def say(self, path, stem):
        number = int(path.stem[1:])
        stamp = f"2026-05-12 {number // 3600:02}:{number // 60 % 60:02}:{number % 60:02}"
        more = {"declared": {"Format": "Wave"}, "tags": {"who": stem, "what": "x" * 500}}
        facts = Facts(container="Wave", audio_codec="PCM", audio_channels=1, audio_rate=48_000,
            samples=48_000 + number, recorded_raw=stamp, recorded_zone="local", more=more)
        still = StillTaken(0, "waveform", None, stem + ".png", 640, 120)
        return Described(facts, (still,), (Noticed("recorded-date-unset", NOTE, "y" * 200),))
    def measure_sound(self, path, seconds):
        return self.work.submit(lambda: SoundMeasured())

ingest.pipeline.MediaPool = Pool
for module, name in (
    (ingest.record_clips, "AT_ONCE"), (ingest.recheck, "AT_ONCE"), (shared.catalogue.text, "AT_ONCE"),
    (ingest.measuring, "CLIPS_AT_ONCE"), (ingest.findings, "AT_ONCE"), (ingest.suggesting, "AT_ONCE"),
):
    setattr(module, name, 50)  # as many as the few
root = pathlib.Path(sys.argv[1])
sessions = make_sessions(make_engine(sys.argv[2]))
settings = Settings(home=root / "home", buffers=2, buffer_mib=1, settle_workers=1)
tracemalloc.start()
for name, files in (("first", int(sys.argv[3])), ("few", int(sys.argv[3])), ("many", int(sys.argv[4]))):
    (root / name / "SOUND").mkdir(parents=True)
    for number in range(files):
        (root / name / f"SOUND/S{number:06}.WAV").write_bytes(f"{name} {number}".encode())
    before, _ = tracemalloc.get_traced_memory()
    tracemalloc.reset_peak()
    ingest.pipeline.run_offload(OffloadOrder(root / name, (root / "one",), reel=name), settings, sessions)
    _, most = tracemalloc.get_traced_memory()
    with reading(sessions) as session:
        print(session.query(Clip).count(), session.query(Measurement).count(), most - before)
"""


@pytest.mark.slow
def test_memory_by_the_media_file(catalogue_url: str, memory_path: Path) -> None:
    """The growth from a reel of some clips to one of several times as many, in a process of its own."""
    few, many = run_few_and_many(CHILD, memory_path, catalogue_url, FEW, MANY)
    assert few[:-1] == [2 * FEW] * 2
    assert many[:-1] == [2 * FEW + MANY] * 2
    assert many[-1] - few[-1] < MOST
