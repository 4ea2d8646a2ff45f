"""Pictures made ahead: all of them, in order, and nothing left running."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import closing

import pytest

from ingest.measure.ahead import ahead


def counting(last: int, fault: BaseException | None = None) -> Iterator[int]:
    yield from range(last)
    if fault is not None:
        raise fault


def test_all_comes_in_order() -> None:
    assert list(ahead(counting(50), 3)) == list(range(50))


def test_a_fault_is_raised_after_what_came_before() -> None:
    seen = []
    with pytest.raises(MemoryError, match="too large"):
        for one in ahead(counting(3, MemoryError("too large")), 3):
            seen.append(one)
    assert seen == [0, 1, 2]


def test_breaking_off_ends_the_thread() -> None:
    with closing(ahead(counting(10_000), 2)) as things:
        assert next(things) == 0
    assert not [one for one in threading.enumerate() if one.name == "ahead"]
