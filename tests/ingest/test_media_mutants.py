"""Two hundred mutants of media files, the same in each run; `python -m tests.soak_media` runs thousands."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.ingest.media_support import needs_ffmpeg
from tests.media_mutants import make_originals, mutants
from tests.media_runs import MEMORY_MIB, SECONDS, run_mutants


@needs_ffmpeg
@pytest.mark.slow
def test_every_mutant_gives_facts_or_a_finding_and_reads_nothing_else(tmp_path: Path) -> None:
    tally = run_mutants(tmp_path, seed=7, count=200)
    assert tally.broken == [], str(tally)
    assert tally.files == 200
    assert tally.longest < 3 * SECONDS + 30
    assert 0 < tally.child_mib < MEMORY_MIB and tally.parent_mib < 150
    assert len(tally.codes) > 6, "the damage shows in various ways"
    assert {"flip_bits", "cut", "swap", "absurd_size", "nest", "refer"} <= set(tally.how)
    assert 50 < tally.facts < 200 and tally.findings > 100, "neither all sound nor all refused"
    assert tally.ears["sound"] > 10 and tally.ears["none"] > 10


@needs_ffmpeg
def test_the_same_seed_makes_the_same_mutants(tmp_path: Path) -> None:
    originals = make_originals(tmp_path)
    once, again, other = (list(mutants(originals, seed, 40, ["/nowhere"])) for seed in (3, 3, 4))
    assert once == again != other
    assert sum(one.content not in originals.values() for one in once) >= 38, "they are no longer whole"
