"""A watch folder, two drives and cards for tests of the watcher, and an offload with plain reads."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from ingest.orders import OffloadOrder, OffloadReport, Problem, Verdict, Watching
from ingest.watch import Cards
from shared.settings import load_settings

DEADLINE = 20.0  # seconds; only ever used up by a failure
QUIET = 0.3


class PlainCopy:
    """An offload with plain reads and writes: every file of the card to every destination, and by name
    what could not be read. `before_file` is called with the number of each file, to make trouble."""

    def __init__(self) -> None:
        self.orders: list[OffloadOrder] = []
        self.reports: list[OffloadReport] = []
        self.before_file: Callable[[int], None] = lambda number: None

    def __call__(self, order: OffloadOrder, watching: Watching) -> OffloadReport:
        self.orders.append(order)
        files: list[dict[str, Any]] = []
        problems: list[Problem] = []
        for number, source in enumerate(sorted(p for p in order.card.rglob("*") if p.is_file())):
            path = source.relative_to(order.card)
            self.before_file(number)
            watching.tick()
            try:
                content = source.read_bytes()
            except OSError as error:
                problems.append(Problem("card", str(path), f"it vanished ({error.strerror})"))
                continue
            for place in order.to:
                copy = place / order.card.name / path
                copy.parent.mkdir(parents=True, exist_ok=True)
                copy.write_bytes(content)
            files.append({"path": str(path)})
        watching.tick()
        verdict = Verdict(not problems, ("a file was not copied",) if problems else ())
        state = "partial" if problems else "done"
        report = OffloadReport("A001", "The Chain Ferry", state, files, tuple(problems), verdict)
        self.reports.append(report)
        return report


class Desk:
    """A machine with a watch folder, two drives, and a person who puts cards in and takes them out."""

    def __init__(self, root: Path, **values: Any) -> None:
        self.root = root
        self.media = root / "media"
        self.media.mkdir()
        self.drives = [root / "drive1", root / "drive2"]
        for drive in self.drives:
            drive.mkdir()
        rule = {"card": "A_*", "camera": "A", "to": ["one", str(self.drives[1])]}
        defaults = {
            "home": root / "home",
            "watch_folders": [self.media],
            "destinations": {"one": self.drives[0]},
            "watch": [rule],
            "quiet_seconds": QUIET,
            "poll_seconds": 0.05,
        }
        self.settings = load_settings(**(defaults | values))
        self.said: list[str] = []
        self.copying = PlainCopy()
        self.stop = threading.Event()
        self.cards = Cards(self.settings, self.copying, self.said.append, self.stop)

    @property
    def card(self) -> Path:
        return self.media / "A_CARD"

    def fill(self, *names: str, at: Path | None = None, content: bytes = b"frames" * 100) -> None:
        for name in names:
            path = (at or self.card) / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)

    def put_in(self, path: Path) -> None:
        """All at once, as a mount does it."""
        path.rename(self.media / path.name)

    def look_until(self, true: Callable[[], bool]) -> None:
        end = time.monotonic() + DEADLINE
        while not true():
            assert time.monotonic() < end, "never came. Said: " + "\n".join(self.said)
            self.cards.look()
            time.sleep(0.02)

    def look_on(self, seconds: float = 3 * QUIET) -> None:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self.cards.look()
            time.sleep(0.02)

    def offloads(self, number: int) -> None:
        self.look_until(lambda: len(self.copying.reports) == number)

    def copied(self) -> list[list[str]]:
        return [
            sorted(str(p.relative_to(drive / "A_CARD")) for p in drive.rglob("*") if p.is_file())
            for drive in self.drives
        ]

    def heard(self, text: str) -> int:
        return sum(text in line for line in self.said)
