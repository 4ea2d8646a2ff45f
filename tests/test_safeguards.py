"""The list of mutations keeps pace with the source: each safeguard still stands where it says."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.safeguards import MUTATIONS, Mutation

ROOT = Path(__file__).resolve().parent.parent


@pytest.mark.parametrize("mutation", MUTATIONS, ids=lambda mutation: mutation.name)
def test_the_safeguard_stands_once_and_its_tests_are_there(mutation: Mutation) -> None:
    source = (ROOT / mutation.file).read_text()
    assert source.count(mutation.before) == 1
    compile(source.replace(mutation.before, mutation.after), mutation.file, "exec")
    assert (ROOT / "tests/ingest" / mutation.tests).is_file()
