"""The running service against its own OpenAPI document, by a tool that makes the requests from it.

Few examples and a fixed seed; `python -m tests.bench.fuzz_api` goes on for as long as one likes.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bench.fuzz_api import fuzz


@pytest.mark.slow
def test_whatever_is_asked_is_answered_as_documented(tmp_path: Path) -> None:
    ran = fuzz(tmp_path, examples=4, seed_number=1, phases="fuzzing")
    assert ran.returncode == 0, ran.stdout[-6000:] + ran.stderr[-2000:]
    assert "No issues found" in ran.stdout
