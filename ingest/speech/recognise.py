"""Have a clip listened to by a child process; what it has understood is kept, so that a rerun goes on.

Each window is on the medium before the next is waited for. What is kept belongs to exactly these files and
this model: with another of either, listening begins anew.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
import os
import select
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from ingest.sound.measure import Recording
from ingest.speech.kept import Kept, Window
from ingest.speech.model import SpeechModel
from shared.errors import MediaError, UsageError
from shared.settings import Settings

_LIBRARY = "pocketsphinx"
_PRIVATE_PREFIX = "RUSHLIGHT_"  # our own settings hold addresses and a token
_START_SECONDS = 120  # to load a large model
_SLOWEST = 20  # times as long as it sounds, on a machine that is busy
_ANSWER_BYTES = 1 << 20
_MICRO = 1_000_000
_LONGEST_WORD = 200
FOLDER = "speech"  # below the home folder: what unfinished runs have understood


@dataclass(frozen=True, slots=True)
class HeardWord:
    """Microseconds since the clip's beginning; `confidence` 0 to 1, the recogniser's own and no probability
    that anybody has checked."""

    start: int
    end: int
    text: str
    confidence: float


def check_recogniser() -> str:
    """The library's name and version. Raises UsageError where it is not installed."""
    try:
        return f"{_LIBRARY} {version(_LIBRARY)}"
    except PackageNotFoundError:
        raise UsageError(
            "speech recognition is not installed",
            remedy="Install the program with its extra: pip install -e '.[speech]'",
        ) from None


def recognise(
    recording: Recording,
    digests: Sequence[str],
    model: SpeechModel,
    settings: Settings,
    say: Callable[[Fraction], None] = lambda _: None,
) -> tuple[HeardWord, ...]:
    """Every word of a clip in order. `digests`: the hashes of its files; `say` hears how many seconds of the
    clip are done, first those that an earlier run has left.

    Raises UsageError where the recogniser is not installed, MediaError when the sound can't be decoded or the
    child dies; what it understood until then is kept. `forget` removes it when the words are stored.
    """
    kept = Kept(kept_path(digests, model, settings))
    windows = kept.read()
    at = windows[-1].end if windows else 0
    say(Fraction(at, _MICRO))
    length = int(recording.seconds * _MICRO)
    if at < length and not kept.whole:
        for window in _listen(recording, model, settings, at, length):
            kept.add(window)
            windows.append(window)
            say(Fraction(window.end, _MICRO))
        kept.finish()
    return tuple(HeardWord(*word) for window in windows for word in window.words)


def forget(digests: Sequence[str], model: SpeechModel, settings: Settings) -> None:
    """Remove what was kept of a clip."""
    kept_path(digests, model, settings).unlink(missing_ok=True)


def kept_path(digests: Sequence[str], model: SpeechModel, settings: Settings) -> Path:
    about = json.dumps([check_recogniser(), model.fingerprint, list(digests)])
    return settings.home / FOLDER / f"{hashlib.sha256(about.encode()).hexdigest()}.jsonl"


def _listen(
    recording: Recording, model: SpeechModel, settings: Settings, at: int, length: int
) -> Iterator[Window]:
    request = {
        "parts": [[os.fsencode(path.absolute()).hex(), float(start)] for path, start in recording.files],
        "model": {
            name: os.fsencode(getattr(model, name)).hex() for name in ("acoustic", "language", "words")
        },
        "from": at,
        "length": length,
    }
    limit = _START_SECONDS + _SLOWEST * (1 + (length - at) // _MICRO)
    with _child(settings.media_memory_mib, limit) as child:
        assert child.stdin is not None and child.stdout is not None
        with contextlib.suppress(BrokenPipeError):  # it died already: said below
            child.stdin.write(json.dumps(request).encode())
            child.stdin.close()
        for line in _lines(child.stdout.fileno(), time.monotonic() + limit):
            answer = _read(line, at, length)
            if answer is None:
                return
            at = answer.end
            yield answer
    raise _gave_up("the process that listened ended before the clip did")


@contextlib.contextmanager
def _child(memory_mib: int, seconds: int) -> Iterator[subprocess.Popen[bytes]]:
    environment = {k: v for k, v in os.environ.items() if not k.startswith(_PRIVATE_PREFIX)}
    # Each thread of a maths library and each arena of malloc reserves address space, which is limited.
    environment |= {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MALLOC_ARENA_MAX": "2"}
    child = subprocess.Popen(
        # -P: nothing is imported from the current folder, which may be a card.
        [sys.executable, "-P", "-m", "ingest.speech.child", str(memory_mib), str(seconds)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=environment,
        cwd="/",
        bufsize=0,
    )
    try:
        yield child
    finally:
        child.kill()
        child.wait()
        for pipe in (child.stdin, child.stdout):
            if pipe is not None:
                pipe.close()


def _lines(pipe: int, deadline: float) -> Iterator[bytes]:
    """Its lines until it ends. Raises MediaError for one without end, or when the time is up."""
    unread = b""
    while True:
        while b"\n" not in unread:
            if len(unread) > _ANSWER_BYTES:
                raise _gave_up("the process that listened gave no sensible answer")
            left = deadline - time.monotonic()
            if left <= 0 or not select.select([pipe], [], [], left)[0]:
                raise _gave_up("listening took too long")
            if not (some := os.read(pipe, 65_536)):
                return
            unread += some
        line, _, unread = unread.partition(b"\n")
        yield line


def _read(line: bytes, at: int, length: int) -> Window | None:
    """One answer, checked field by field: a hostile file may have taken the child over. None: it is done."""
    try:
        words = json.loads(line)
        if "error" in words:
            said = "".join(c for c in str(words["error"])[:300] if c.isprintable())
            raise MediaError(said, remedy="Is the file whole, and the model one of the recogniser's?")
        if words.get("done") is True:
            return None
        if not (words["from"] == at and type(words["to"]) is int and at < words["to"] <= length):
            raise ValueError("a window out of its place")
        found = tuple(_word(one, at, words["to"]) for one in words["words"])
        return Window(at, words["to"], found)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise _gave_up("the process that listened gave no sensible answer") from None


def _word(one: Any, first: int, last: int) -> tuple[int, int, str, float]:
    start, end, text, confidence = one
    if type(start) is not int or type(end) is not int or not first <= start < end <= last:
        raise ValueError("a word out of its window")
    if not isinstance(text, str) or not text or len(text) > _LONGEST_WORD or not text.isprintable():
        raise ValueError("no word")
    if isinstance(confidence, bool) or not math.isfinite(confidence) or not 0 <= confidence <= 1:
        raise ValueError("no confidence")
    return start, end, text, float(confidence)


def _gave_up(what: str) -> MediaError:
    return MediaError(what, remedy="Run it again: it goes on where this ended. If it ends again at the same "
                      "place, a file is damaged.")  # fmt: skip
