"""What an offload is asked to do, what it says while it runs, and what it gives back."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol, TextIO

from ingest.plan import Plan
from ingest.progress import Counters
from shared.catalogue.kept_reports import pack_files
from shared.errors import EXIT_DONE, EXIT_INTEGRITY, EXIT_PARTIAL


@dataclass(frozen=True, slots=True)
class OffloadOrder:
    """One request to offload a card. `production` None: the latest; `camera`, `reel`, `day` None: found
    out or made; `new_reel`: a fresh reel even where the card is recognised."""

    card: Path
    to: tuple[Path, ...]
    production: str | None = None
    camera: str | None = None
    reel: str | None = None
    day: int | None = None
    card_label: str | None = None
    algorithm: str | None = None
    read_twice: bool = False


class Watching(Protocol):
    """Somebody who follows a run: a terminal, a worker's request row, or nobody."""

    def say(self, text: str) -> None:
        """A step or a note, one line."""

    def planned(self, plan: Plan, counters: Counters) -> None:
        """Copying starts; the counters rise from now on."""

    def tick(self) -> None:
        """Called about five times a second while files are copied or described."""


class Nobody:
    """Follows a run without a word."""

    def say(self, text: str) -> None:
        pass

    def planned(self, plan: Plan, counters: Counters) -> None:
        pass

    def tick(self) -> None:
        pass


@dataclass(frozen=True, slots=True)
class Problem:
    """Something that went wrong, by name. `kind`: card, destination, copy or media."""

    kind: str
    path: str | None
    message: str
    remedy: str | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether the card may be formatted, computed now. `reasons` is empty only for a yes."""

    may_be_formatted: bool
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class OffloadReport:
    """The outcome of one offload: printed by `write_json`, and kept in the catalogue `as_kept`."""

    reel: str
    production: str
    state: str
    files: Sequence[dict[str, Any]]
    problems: tuple[Problem, ...]
    verdict: Verdict
    summary: dict[str, Any] = field(default_factory=dict)

    @property
    def exit_code(self) -> int:
        """0 done, 3 something was not copied, 4 a copy was found that is not what it should be."""
        if any(problem.kind == "copy" for problem in self.problems):
            return EXIT_INTEGRITY
        if any(problem.kind in ("card", "destination") for problem in self.problems):
            return EXIT_PARTIAL
        return EXIT_DONE

    def as_kept(self) -> dict[str, Any]:
        """The whole report, small whatever the number of files; `unpacked` lists them again."""
        return self._head() | pack_files(self.files)

    def write_json(self, out: TextIO) -> None:
        """One JSON object, with the files last and one on a line: it is never whole in memory."""
        head = json.dumps(self._head(), ensure_ascii=False, indent=2)
        out.write(head.removesuffix("\n}") + ',\n  "files": [')
        for number, file in enumerate(self.files):
            out.write(("," if number else "") + "\n    " + json.dumps(file, ensure_ascii=False))
        out.write("\n  ]\n}\n")

    def _head(self) -> dict[str, Any]:
        return {
            "reel": self.reel,
            "production": self.production,
            "state": self.state,
            **self.summary,
            "problems": [
                {"kind": p.kind, "path": p.path, "message": p.message, "remedy": p.remedy}
                for p in self.problems
            ],
            "verdict": {
                "may_be_formatted": self.verdict.may_be_formatted,
                "reasons": list(self.verdict.reasons),
            },
        }
