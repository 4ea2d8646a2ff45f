"""The process that decodes two clips and compares their sound, under limits; it serves one request and ends.

Run as `python -m ingest.sound.child MEMORY_MIB SECONDS`: one JSON object on standard input, one on standard
output. Paths travel as the hexadecimal of their bytes, since a name on a card need not be text.
"""

from __future__ import annotations

import json
import os
import signal
import sys
from pathlib import Path
from typing import Any

from ingest.media.limits import limit_this_process
from shared.errors import MediaError


def main() -> None:
    memory_mib, seconds = int(sys.argv[1]), int(sys.argv[2])
    signal.alarm(seconds)  # not caught, so it ends the process, whatever becomes of the parent
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # a C library that prints must not meet the answer
    limit_this_process(memory_mib)
    request = json.load(sys.stdin.buffer)
    try:
        answer = compare(request)
    except MediaError as error:
        answer = {"error": error.message}
    except MemoryError:
        answer = {"error": "comparing these takes more memory than is allowed"}
    answers.write(json.dumps(answer).encode())
    answers.flush()


def compare(request: dict[str, Any]) -> dict[str, Any]:
    """Decode what the clocks allow of both, and find the sync. Raises MediaError, naming which of both."""
    # After the limits, which are to count what these reserve.
    from ingest.sound.sync import NoSync, find_sync

    expected, radius = float(request["expected"]), float(request["radius"])
    picture_length, sound_length = float(request["picture_seconds"]), float(request["sound_seconds"])
    # The stretch of each that can have a counterpart in the other.
    picture_first = max(0.0, -expected - radius)
    picture_last = min(picture_length, sound_length - expected + radius)
    sound_first = max(0.0, expected - radius)
    sound_last = min(sound_length, expected + radius + picture_length)
    if picture_last <= picture_first or sound_last <= sound_first:
        return {"none": "By their clocks they are further apart than the search reaches.", "confidence": 0.0}
    picture = _decoded("picture's sound", request["picture"], picture_first, picture_last)
    sound = _decoded("sound file", request["sound"], sound_first, sound_last)
    found = find_sync(picture, sound, expected + picture_first - sound_first, radius)
    if isinstance(found, NoSync):
        return {"none": found.why, "confidence": found.confidence}
    drift = found.drift or 0.0
    return {
        # Both were cut: back to the first sample of each clip.
        "offset": found.offset + sound_first - picture_first * (1 + drift),
        "drift": found.drift,
        "confidence": found.confidence,
        "agreeing": found.agreeing,
        "tested": found.tested,
    }


def _decoded(which: str, parts: list[list[Any]], first: float, last: float) -> Any:
    from ingest.sound.decode import Part, decode_parts, trimmed
    from ingest.sound.sync import RATE

    files = [Part(Path(os.fsdecode(bytes.fromhex(path))), float(start)) for path, start in parts]
    try:
        return trimmed(decode_parts(files, RATE, first, last))
    except MediaError as error:
        raise MediaError(f"the {which}: {error.message}") from error


if __name__ == "__main__":
    main()
