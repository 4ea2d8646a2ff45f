"""What all parts of one check share, and when it ends early."""

from __future__ import annotations

import datetime as dt
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from ingest.check.ledger import CatalogueDesk
from ingest.check.report import CheckReport
from ingest.durable import Disk


@dataclass(frozen=True)
class Control:
    """`deadline`: on the clock, or None; a file that was begun is read to its end all the same.
    `stop`: set by whoever wants the run to end now; what is read at that moment is given up."""

    deadline: float | None = None
    clock: Callable[[], float] = time.monotonic
    stop: threading.Event = field(default_factory=threading.Event)

    @classmethod
    def within(cls, seconds: float | None, stop: threading.Event, clock: Callable[[], float]) -> Control:
        return cls(None if seconds is None else clock() + seconds, clock, stop)

    def stopped(self) -> bool:
        return self.stop.is_set()

    def time_is_up(self) -> bool:
        return self.deadline is not None and self.clock() >= self.deadline


@dataclass(frozen=True)
class Context:
    """`started`: the moment that the manifests of this check are named after."""

    disk: Disk
    desk: CatalogueDesk
    report: CheckReport
    control: Control
    started: dt.datetime
    oldest: bool
