"""Counters that the copying threads raise and a display reads."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True)
class Counters:
    """Bytes so far. `read` is raised by the reader alone, `written[n]` by place n's writer alone;
    `verified[n]` by that place's settling threads under their own lock."""

    read: int = 0
    written: list[int] = field(default_factory=list)
    verified: list[int] = field(default_factory=list)

    @classmethod
    def for_places(cls, count: int) -> Counters:
        return cls(0, [0] * count, [0] * count)
