"""What the watcher says of one offload: while it runs, and when it has ended."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

from ingest.doorbell import Identity, identity_of
from ingest.orders import OffloadReport
from ingest.plan import Plan
from ingest.progress import Counters
from ingest.worker import Say, StopRequested
from shared.names import display

PROGRESS_SECONDS = 10.0
MOST_PROBLEMS = 20


def lines_about(report: OffloadReport) -> list[str]:
    """The outcome in plain lines: what was done, what went wrong, and whether to format."""
    files = counted(len(report.files), "file")
    lines = [f"reel {report.reel} of {report.production}: {files}, {report.state}."]
    for problem in report.problems[:MOST_PROBLEMS]:
        where = f"{problem.path}: " if problem.path else ""
        remedy = f" {problem.remedy}" if problem.remedy else ""
        lines.append(f"  {problem.kind}: {where}{problem.message}.{remedy}")
    if len(report.problems) > MOST_PROBLEMS:
        lines.append(f"  and {counted(len(report.problems) - MOST_PROBLEMS, 'more problem')}.")
    if report.verdict.may_be_formatted:
        lines.append("may be formatted: yes, as far as can be told now. You decide; formatting destroys it.")
    else:
        lines.append(f"may be formatted: NO. {'; '.join(report.verdict.reasons)}.")
    return lines


class Following:
    """Follows one offload: says how far it is, notices that the card is pulled, ends it on a stop."""

    def __init__(self, name: str, card: Path, identity: Identity, say: Say, stop: threading.Event) -> None:
        self.pulled = False
        self._name = name
        self._card = card
        self._identity = identity
        self._say = say
        self._stop = stop
        self._total = 0
        self._counters = Counters()
        self._next = time.monotonic() + PROGRESS_SECONDS

    def say(self, text: str) -> None:
        self._say(f"{self._name}: {text}")
        self.tick()

    def planned(self, plan: Plan, counters: Counters) -> None:
        self._total = plan.bytes_to_read
        self._counters = counters
        self.tick()

    def tick(self) -> None:
        """Raises StopRequested when the watch is to end."""
        if self._stop.is_set():
            raise StopRequested
        if not self.pulled and identity_of(self._card) != self._identity:
            self.pulled = True
            self._say(f"{self._name}: the card is gone in the middle of its offload.")
        if time.monotonic() >= self._next and self._total:
            self._next = time.monotonic() + PROGRESS_SECONDS
            self._say(f"{self._name}: {sized(self._counters.read)} of {sized(self._total)} read.")


def shown(path: Path) -> str:
    return display(os.fsencode(path))


def counted(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def sized(number: int) -> str:
    """Decimal units, as drives and cards are sold."""
    amount = float(number)
    for unit in ("bytes", "kB", "MB", "GB"):
        if amount < 1000:
            return f"{amount:.0f} {unit}" if unit == "bytes" else f"{amount:.1f} {unit}"
        amount /= 1000
    return f"{amount:.1f} TB"
