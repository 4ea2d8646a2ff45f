"""Fixtures for the tests of ingest."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest


@pytest.fixture
def memory_path(tmp_path: Path) -> Iterator[Path]:
    """A temporary folder in memory where the system has one: for tests that copy hundreds of times."""
    shared_memory = Path("/dev/shm")
    if not shared_memory.is_dir():
        yield tmp_path
        return
    folder = Path(tempfile.mkdtemp(prefix="rushlight-test-", dir=shared_memory))
    yield folder
    shutil.rmtree(folder)


@pytest.fixture
def bind_mount(tmp_path: Path) -> Iterator[Path]:
    """The folder `card` of the test under a second name, as a mount. Only the superuser can."""
    other = tmp_path / "other name"
    other.mkdir()
    mounted = subprocess.run(
        ["mount", "--bind", tmp_path / "card", other], capture_output=True, text=True, check=False
    )
    if mounted.returncode != 0:
        pytest.skip(f"this machine does not let tests mount: {mounted.stderr.strip()}")
    yield other
    subprocess.run(["umount", other], check=True)
