"""Have two clips compared by sound in a child process, which a hostile file may do to what it likes."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from shared.errors import MediaError
from shared.settings import Settings

_PRIVATE_PREFIX = "RUSHLIGHT_"  # our own settings hold addresses and a token
_GRACE_SECONDS = 5
_ANSWER_BYTES = 65_536
_BILLION = 1_000_000_000
_MOST_SECONDS = 10**7  # no clip is longer; beyond it an answer is no answer


@dataclass(frozen=True, slots=True)
class Recording:
    """A clip's essence files in order, with the second at which each begins, and the clip's length."""

    files: tuple[tuple[Path, Fraction], ...]
    seconds: Fraction


@dataclass(frozen=True, slots=True)
class Measured:
    """What the comparison said. `offset` (seconds) and `drift_ppb` as in `ingest.sound.sync`.

    `offset` None: there is no match, and `why` says so. `agreeing` of `tested` windows do to 1 ms.
    """

    offset: Fraction | None
    drift_ppb: int | None = None
    confidence: float = 0.0
    agreeing: int = 0
    tested: int = 0
    why: str = ""


def measure_pair(
    picture: Recording, sound: Recording, expected: Fraction, radius: Fraction, settings: Settings
) -> Measured:
    """Compare two clips. `expected`: what the clocks claim, in seconds from the sound's start to the
    picture's; `radius`: how far from that to look.

    Raises MediaError when one of them can't be decoded or its decoder dies.
    """
    request = {
        "picture": _parts(picture),
        "sound": _parts(sound),
        "picture_seconds": float(picture.seconds),
        "sound_seconds": float(sound.seconds),
        "expected": float(expected),
        "radius": float(radius),
    }
    limit = settings.media_seconds + int((picture.seconds + sound.seconds) / 10)
    return _read_answer(_ask(request, settings.media_memory_mib, limit))


def _parts(recording: Recording) -> list[list[Any]]:
    return [[os.fsencode(path.absolute()).hex(), float(start)] for path, start in recording.files]


def _ask(request: dict[str, Any], memory_mib: int, seconds: int) -> bytes:
    environment = {k: v for k, v in os.environ.items() if not k.startswith(_PRIVATE_PREFIX)}
    # Each thread of a maths library and each arena of malloc reserves address space, which is limited.
    environment |= {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MALLOC_ARENA_MAX": "2"}
    try:
        done = subprocess.run(
            # -P: nothing is imported from the current folder, which may be a card.
            [sys.executable, "-P", "-m", "ingest.sound.child", str(memory_mib), str(seconds)],
            input=json.dumps(request).encode(),
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=environment,
            cwd="/",
            timeout=seconds + _GRACE_SECONDS,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise _gave_up(f"comparing them took longer than {seconds} s") from None
    if done.returncode != 0:
        raise _gave_up(f"the process that compared them ended with code {done.returncode}")
    return done.stdout


def _gave_up(what: str) -> MediaError:
    return MediaError(what, remedy="Try again; if it happens again, one of the files is damaged.")


def _read_answer(raw: bytes) -> Measured:
    """The child's answer, checked field by field: a hostile file may have taken the child over."""
    try:
        words = json.loads(raw) if len(raw) <= _ANSWER_BYTES else None
        if not isinstance(words, dict):
            raise ValueError("no answer")
        if "error" in words:
            raise MediaError(_shown(words["error"]), remedy="Is the file whole? `rushlight check` tells.")
        confidence = _number(words["confidence"], 1.0)
        if "none" in words:
            return Measured(None, confidence=confidence, why=_shown(words["none"]))
        drift = None if words["drift"] is None else round(_number(words["drift"], 0.01) * _BILLION)
        offset = Fraction(_number(words["offset"], _MOST_SECONDS))
        agreeing, tested = (int(_number(words[name], 10**6)) for name in ("agreeing", "tested"))
        return Measured(offset, drift, confidence, agreeing, tested)
    except (ValueError, KeyError, TypeError, RecursionError):
        raise _gave_up("the process that compared them gave no sensible answer") from None


def _number(value: Any, most: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("not a number")
    if not math.isfinite(value) or abs(value) > most:
        raise ValueError("out of range")
    return float(value)


def _shown(text: Any) -> str:
    return "".join(c for c in str(text)[:300] if c.isprintable())
