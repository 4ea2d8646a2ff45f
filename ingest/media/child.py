"""The process that meets hostile files: reads facts, takes stills and measures for a parent, one file after
another.

Run as `python -m ingest.media.child MEMORY_MIB SECONDS [NICER]`. One JSON object a line comes in on standard
input; for each, the facts go out on standard output as soon as they are known, and then the whole; for one
whose task is "picture" or "sound", its numbers alone. Paths travel as the hexadecimal of their bytes, since
a name on a card need not be text.
"""

from __future__ import annotations

import json
import os
import signal
import sys
from pathlib import Path
from typing import IO, Any

from ingest.media.facts import FAULT, Described, Noticed
from ingest.media.limits import limit_this_process

READY: dict[str, Any] = {"ready": True}
_GRACE_SECONDS = 5  # the parent ends a slow child by itself; this ends a child whose parent is gone


def main() -> None:
    memory_mib, seconds, nicer = int(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]) if sys.argv[3:] else 0
    requests, answers = _take_over_pipes()
    limit_this_process(memory_mib)
    os.nice(nicer)
    # After the limits, which are to count what the parsers reserve; and all of them before a file is opened.
    from ingest.media import describe, probe  # noqa: F401

    probe.load_parser()
    _say(answers, READY)
    for line in requests:
        request = json.loads(line)
        allowed = int(request.get("seconds", seconds))
        signal.alarm(allowed + _GRACE_SECONDS)  # not caught, so it ends the process
        if not _TASKS.get(request.get("task"), _serve)(request, answers):
            return
        signal.alarm(0)


def _take_over_pipes() -> tuple[IO[bytes], IO[bytes]]:
    """Keep both pipes to ourselves: a C library that prints or reads must not meet them."""
    requests, answers = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    nothing = os.open(os.devnull, os.O_RDWR)
    os.dup2(nothing, 0)
    os.dup2(nothing, 1)
    os.close(nothing)
    return requests, answers


def _serve(request: dict[str, Any], answers: IO[bytes]) -> bool:
    """Answer one request. False when this process had better not be used again."""
    from ingest.media.describe import describe
    from ingest.media.stills import write_placeholder

    path, into = (Path(os.fsdecode(bytes.fromhex(request[name]))) for name in ("path", "into"))
    stem, width = str(request["stem"]), int(request["width"])
    known = Described(None)
    if "reason" in request:  # the file cost another child its life: only say so
        still = write_placeholder(path, str(request["reason"]), into, stem, width)
        _say(answers, {"done": Described(None, (still,)).to_json()})
        return True

    def tell(facts: Described) -> None:
        nonlocal known
        known = facts
        _say(answers, {"facts": facts.to_json()})

    try:
        careful = request.get("careful") is True
        described = describe(path, into, stem, int(request["count"]), width, tell, careful=careful)
    except MemoryError:
        what = Noticed("media-memory", FAULT, "Reading this file takes more memory than is allowed.")
        still = write_placeholder(path, what.message, into, stem, width)
        described = Described(known.facts, (still,), (*known.noticed, what))
        _say(answers, {"done": described.to_json(), "last": True})
        return False
    _say(answers, {"done": described.to_json()})
    return True


def _serve_sound(request: dict[str, Any], answers: IO[bytes]) -> bool:
    """Measure the sound of one file. False when this process had better not be used again."""
    from ingest.measure.sound_pass import measure_sound  # loads its libraries while files may be opened
    from shared.errors import MediaError

    try:
        _say(answers, {"numbers": measure_sound(_path_in(request)).to_json()})
    except MediaError as error:
        _say(answers, {"error": f"The file {error.message}."})
    except MemoryError:
        _say(answers, {"error": "Measuring its sound takes more memory than is allowed.", "last": True})
        return False
    return True


def _serve_picture(request: dict[str, Any], answers: IO[bytes]) -> bool:
    """Measure the picture of one file. False when this process had better not be used again."""
    from ingest.measure.picture_pass import measure_file
    from ingest.media.describe import PARSER_ERRORS
    from ingest.media.facts import Facts
    from shared.errors import MediaError

    try:
        numbers = measure_file(_path_in(request), Facts.from_json(request["facts"]))
        _say(answers, {"numbers": numbers.to_json()})
    except MediaError as error:
        _say(answers, {"error": f"The file {error.message}."})
    except MemoryError:
        _say(answers, {"error": "Measuring its picture takes more memory than is allowed.", "last": True})
        return False
    except PARSER_ERRORS as error:
        _say(answers, {"error": f"Its picture can't be measured: {error or type(error).__name__}."})
    return True


_TASKS = {"sound": _serve_sound, "picture": _serve_picture}


def _path_in(request: dict[str, Any]) -> Path:
    return Path(os.fsdecode(bytes.fromhex(request["path"])))


def _say(answers: IO[bytes], words: dict[str, Any]) -> None:
    answers.write(json.dumps(words).encode() + b"\n")
    answers.flush()


if __name__ == "__main__":
    main()
