"""Put an offload's outcome into words and numbers: every file by name, every problem with its remedy."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from typing import Any

from ingest.card import LeftOut
from ingest.copy import Copied, FileResult
from ingest.open_reel import OpenReel
from ingest.orders import OffloadReport, Problem, Verdict
from ingest.plan import Place
from ingest.table import Table
from shared.errors import AppError, CardError, VerifyError
from shared.models import CopyState, OffloadState


def problems_of(copied: Copied) -> tuple[Problem, ...]:
    """Everything that went wrong in the copying: the card's faults, the drives', the copies'."""
    plan = copied.plan
    problems = [Problem("card", t.shown, t.reason) for t in plan.listing.left_out if not t.junk]
    problems += [_problem(refusal.error) for refusal in plan.refusals]
    problems += [_problem(error, plan.places[number].shown) for number, error in copied.stopped.items()]
    for result in copied.results:
        if result.error is not None:
            problems.append(_problem(result.error))
        for number, settled in sorted(result.at.items()):
            error = settled.error
            # A stopped place and an unreadable file are told once, not once for every file and place.
            if error is None or error is result.error or error is copied.stopped.get(number):
                continue
            problems.append(_problem(error))
    return tuple(dict.fromkeys(problems))


def _problem(error: AppError, place: str | None = None) -> Problem:
    kind = "destination"
    if isinstance(error, CardError):
        kind = "card"
    elif isinstance(error, VerifyError):
        kind = "copy"
    path = error.path
    if place is not None and not (path or "").startswith(place):
        path = f"{place}: {path or ''}".rstrip(": ")
    return Problem(kind, path, error.message, error.remedy)


def state_at(result: FileResult, number: int) -> CopyState:
    """The state of one file's copy at one place; a copy that could not be made is missing."""
    if number in result.task.kept:
        return CopyState.VERIFIED
    settled = result.at.get(number)
    return settled.state if settled is not None and settled.state is not None else CopyState.MISSING


def make_report(
    reel: OpenReel,
    copied: Copied,
    problems: tuple[Problem, ...],
    verdict: Verdict,
    started: dt.datetime,
) -> OffloadReport:
    """The report of a run. Its state speaks of the copying; the verdict is a line of its own."""
    ended = dt.datetime.now(dt.UTC)
    places = copied.plan.places
    seconds = max((ended - started).total_seconds(), 0.001)
    summary: dict[str, Any] = {
        "algorithm": copied.algorithm,
        "started_at": started.isoformat(timespec="seconds"),
        "ended_at": ended.isoformat(timespec="seconds"),
        "seconds": round(seconds, 3),
        "bytes_on_card": copied.plan.listing.total_bytes,
        "bytes_read": copied.bytes_read,
        "bytes_written": copied.bytes_written,
        "destinations": [_destination(copied, number, place) for number, place in enumerate(places)],
        "warnings": list(copied.plan.warnings),
        "left_out": [_left_out(thing) for thing in copied.plan.listing.left_out],
    }
    return OffloadReport(
        reel.name, reel.production, _state(copied, problems).value, _Files(copied), problems, verdict, summary
    )


def _state(copied: Copied, problems: tuple[Problem, ...]) -> OffloadState:
    if not any(problem.kind in ("card", "destination", "copy") for problem in problems):
        return OffloadState.DONE
    anything = any(
        state_at(result, number) is CopyState.VERIFIED
        for result in copied.results
        for number in range(len(copied.plan.places))
    )
    return OffloadState.PARTIAL if anything else OffloadState.FAILED


class _Files(Table[dict[str, Any]]):
    """Every file with its outcome."""

    def __init__(self, copied: Copied) -> None:
        self._copied = copied

    def __len__(self) -> int:
        return len(self._copied.results)

    def _row(self, number: int) -> dict[str, Any]:
        return _file(self._copied.results[number], self._copied)


def _file(result: FileResult, copied: Copied) -> dict[str, Any]:
    entry = result.task.entry
    digest = result.digest or (result.task.expected if result.error is None else None)
    described: dict[str, Any] = {
        "path": entry.shown,
        "size": entry.size,
        "hash": {"algorithm": copied.algorithm, "value": digest},
        "copies": [
            {"destination": place.shown, "state": state_at(result, number).value}
            for number, place in enumerate(copied.plan.places)
        ],
    }
    if result.error is not None:
        described["problem"] = result.error.message
    return described


def _destination(copied: Copied, number: int, place: Place) -> dict[str, Any]:
    states: Counter[CopyState] = Counter()
    kept = 0
    for result in copied.results:
        states[state_at(result, number)] += 1
        kept += number in result.task.kept
    stopped = copied.stopped.get(number)
    refused = [r.error for r in copied.plan.refusals if r.place == number and r.path is None]
    error = stopped or (refused[0] if refused else None)
    return {
        "destination": place.shown,
        "folder": f"{place.shown}/{place.folder}",
        "files": states.total(),
        "verified": states[CopyState.VERIFIED],
        "kept": kept,
        "differs": states[CopyState.DIFFERS],
        "missing": states[CopyState.MISSING],
        "read_back": "medium" if copied.from_medium.get(number) else "memory possible",
        "stopped": error.message if error is not None else None,
    }


def _left_out(thing: LeftOut) -> dict[str, Any]:
    return {"path": thing.shown, "reason": thing.reason, "junk": thing.junk}
