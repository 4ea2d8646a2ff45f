"""Where a query goes wrong, for a person to see."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Pointer:
    """A query cut at the place of its error: `at` is the word there, empty at the query's end."""

    before: str
    at: str
    after: str


def point_at(query: str, column: int) -> Pointer:
    rest = query[column:]
    word = rest.split(maxsplit=1)[0] if rest.strip() else ""
    start = column + (len(rest) - len(rest.lstrip()) if word else 0)
    end = start + len(word)
    return Pointer(query[:start], query[start:end], query[end:])
