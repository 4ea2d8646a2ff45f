"""Long lists of ids, in pieces that one statement can carry."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import islice
from typing import TypeVar

T = TypeVar("T")

CHUNK = 5000  # values; SQLite allows 32,766 in a statement, PostgreSQL 65,535


def in_chunks(values: Iterable[T], size: int = CHUNK) -> Iterator[list[T]]:
    rest = iter(values)
    while chunk := list(islice(rest, size)):
        yield chunk
