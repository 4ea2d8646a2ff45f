"""Previews that the service asks for: each is made by a child process under limits, from a proven copy."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload, selectinload

from ingest.worker import Handler, Report
from shared.below import open_file_below
from shared.db import Sessions, reading
from shared.errors import MediaError, NotFoundError, UsageError
from shared.models import Copy, CopyState, File, TakeFacts
from shared.previews import preview_path
from shared.settings import Settings

# The child is to be faster than real time on any machine that edits film; beyond this it hangs.
SECONDS_A_SECOND = 4


@dataclass(frozen=True, slots=True)
class _Wanted:
    """One file to make a preview of, apart from any session. `frames` 0: not known."""

    source: Path
    into: Path
    num: int
    den: int
    rotation: int
    frames: int


def preview_handler(settings: Settings, sessions: Sessions) -> Handler:
    """The handler of requests for previews. Its result says how long the preview is, in bytes."""

    def handle(order: dict[str, Any], report: Report) -> dict[str, Any]:
        number = order.get("file")
        if not isinstance(number, int):
            raise UsageError("the request names no file", remedy="File it again from the clip's page.")
        with reading(sessions) as session:
            wanted = _look_up(session, number, settings)
        if not wanted.into.exists():
            _make(wanted, settings, report)
        return {"bytes": wanted.into.stat().st_size}

    return handle


def _look_up(session: Session, number: int, settings: Settings) -> _Wanted:
    """Raises NotFoundError where the file, or a proven copy of it, is not there now."""
    file = session.scalar(
        select(File)
        .where(File.id == number)
        .options(joinedload(File.reel), selectinload(File.copies).joinedload(Copy.destination))
    )
    if file is None or file.digest is None:
        raise NotFoundError(
            f"there is no file {number} that was read whole", remedy="Look at the clip again."
        )
    facts = session.scalar(select(TakeFacts).where(TakeFacts.file_id == number))
    path = os.fsencode(file.reel.folder) + b"/" + file.path_bytes
    for copy in file.copies:
        if copy.state is not CopyState.VERIFIED:
            continue
        try:  # through no link; the child then opens what is there by its name
            handle = open_file_below(Path(copy.destination.path), path)
        except OSError:
            continue
        size = os.fstat(handle).st_size
        os.close(handle)
        if size == file.size:
            return _Wanted(
                Path(os.fsdecode(os.fsencode(copy.destination.path) + b"/" + path)),
                preview_path(settings.home, f"{file.algorithm}:{file.digest}"),
                (facts.rate_num if facts is not None else None) or 25,
                (facts.rate_den if facts is not None else None) or 1,
                (facts.rotation if facts is not None else None) or 0,
                (facts.frames if facts is not None else None) or 0,
            )
    places = sorted({copy.destination.name or "a destination" for copy in file.copies})
    raise NotFoundError(
        f"no copy of {file.path} is at hand",
        remedy=f"Connect the drive of {' or '.join(places)}, then ask again.",
    )


def _make(wanted: _Wanted, settings: Settings, report: Report) -> None:
    """Write under a temporary name, then rename: a preview is whole or absent."""
    wanted.into.parent.mkdir(parents=True, exist_ok=True)
    partial = wanted.into.with_suffix(".partial")
    partial.unlink(missing_ok=True)  # of a run that was cut short: one worker has a request at a time
    try:
        _run_child(wanted, partial, settings, report)
        partial.replace(wanted.into)
    finally:
        partial.unlink(missing_ok=True)


def _run_child(wanted: _Wanted, partial: Path, settings: Settings, report: Report) -> None:
    """Raises MediaError that says what the file did to the child."""
    seconds = settings.media_seconds + SECONDS_A_SECOND * wanted.frames * wanted.den // max(1, wanted.num)
    request = {
        "path": os.fsencode(wanted.source).hex(),
        "into": os.fsencode(partial).hex(),
        "num": wanted.num,
        "den": wanted.den,
        "rotation": wanted.rotation,
    }
    command = [sys.executable, "-m", "ingest.media.preview", str(settings.media_memory_mib), str(seconds)]
    # Not for a process that reads hostile files: our own settings hold addresses and a token.
    quiet = {name: value for name, value in os.environ.items() if not name.startswith("RUSHLIGHT_")}
    report({"step": "making the preview"})
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=quiet) as child:
        try:
            assert child.stdin is not None and child.stdout is not None
            child.stdin.write(json.dumps(request).encode())
            child.stdin.close()
            last: Mapping[str, Any] = {}
            for line in child.stdout:
                last = json.loads(line)
                if "frames" in last and wanted.frames:
                    share = min(100, 100 * int(last["frames"]) // wanted.frames)
                    report({"step": f"making the preview, {share} % done"})
        except BaseException:
            child.kill()
            raise
    if "error" in last:
        raise MediaError(
            str(last["error"]), remedy="The file itself is untouched; its stills are there to see."
        )
    if last != {"done": True}:
        raise MediaError(
            "the preview could not be made: the process that reads the file came to its end",
            remedy="It took too long, or the file is broken. The file itself is untouched.",
        )
