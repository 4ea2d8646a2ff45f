"""Child processes that read media, kept running, fed one file at a time and replaced when one dies.

The parent loads no decoder. Whatever a file does to its child, the answer is a description with a finding,
and the other files lose nothing.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, TypeVar

from ingest.media.facts import FAULT, Described, Facts, Noticed
from shared.errors import MediaError
from shared.settings import Settings

if TYPE_CHECKING:  # only where something is measured: an offload of anything else begins without them
    from ingest.measure.picture_numbers import PictureMeasured
    from ingest.measure.sound_numbers import SoundMeasured

_START_SECONDS = 60  # a machine busy copying loads the decoders slowly
_ANSWER_BYTES = 4 * 2**20
_NUMBERS_BYTES = 32 * 2**20  # a clip of hours gives many
_FILES_PER_CHILD = 256  # parsers leak; a new child now and then costs little
# Not for a process that reads hostile files: our own settings hold addresses and a token.
_PRIVATE_PREFIX = "RUSHLIGHT_"
_PLACEHOLDER_SECONDS = 20
_LEAST_SPEED = 10  # times real time, at which sound is measured on a machine that is busy
_LEAST_PICTURE_SPEED = 0.5
_MEASURING_NICER = 14  # on top of what every child has: nobody waits for it as for a copy

T = TypeVar("T")


class MediaPool:
    """Describes media files in child processes. A context manager: leaving it waits for what was asked.

    Left by an exception, it drops what has not begun and ends the children at once.
    """

    def __init__(self, settings: Settings, *, measuring: bool = False) -> None:
        """`measuring`: with the number of children for that, of the lowest priority."""
        nicer = _MEASURING_NICER if measuring else 0
        self._limits = _Limits(settings.media_memory_mib, settings.media_seconds, nicer)
        self._stills, self._width = settings.stills, settings.still_width
        workers = settings.measure_workers if measuring else settings.media_workers
        self._executor = ThreadPoolExecutor(workers, thread_name_prefix="measure" if measuring else "media")
        self._idle: queue.LifoQueue[_Child] = queue.LifoQueue()
        self._running: set[_Child] = set()
        self._lock = threading.Lock()
        self._closed = False

    def __enter__(self) -> MediaPool:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is not None:
            with self._lock:
                self._closed = True
                for child in self._running:
                    child.kill()
        self._executor.shutdown(wait=True, cancel_futures=kind is not None)
        with self._lock:
            self._closed = True
            children, self._running = self._running, set()
        for child in children:
            child.stop()

    def describe(self, path: Path, into: Path, stem: str) -> Future[Described]:
        """Facts, stills and findings of the file at `path`; its stills are `into`/`stem`-0.jpg and so on.

        The future raises MediaError only when no child can be started at all. Raises ValueError for a
        `stem` that is no plain file name.
        """
        if not stem or "/" in stem or "\0" in stem or stem.startswith("."):
            raise ValueError(f"{stem!r} is no plain file name")
        request = {
            "path": os.fsencode(path.absolute()).hex(),
            "into": os.fsencode(into.absolute()).hex(),
            "stem": stem,
            "count": self._stills,
            "width": self._width,
        }
        return self._executor.submit(self._describe, request)

    def measure_sound(self, path: Path, seconds: float = 0.0) -> Future[SoundMeasured]:
        """The numbers of all sound in the file at `path`, which lasts about `seconds` (its facts say).

        Whatever the file does, the future gives an answer; `problem` says why there are no numbers in it.
        It raises MediaError only when no child can be started at all.
        """
        allowed = self._limits.seconds + int(max(0.0, seconds) / _LEAST_SPEED)
        request = {"task": "sound", "path": os.fsencode(path.absolute()).hex(), "seconds": allowed}
        return self._executor.submit(self._measure_sound, request, allowed)

    def measure_picture(self, path: Path, facts: Facts, seconds: float = 0.0) -> Future[PictureMeasured]:
        """The numbers of the picture of the file at `path`, which lasts about `seconds`; as `measure_sound`.

        `facts` are the file's own. Its `more` is left behind: no measure needs it.
        """
        allowed = self._limits.seconds + int(max(0.0, seconds) / _LEAST_PICTURE_SPEED)
        request = {
            "task": "picture",
            "path": os.fsencode(path.absolute()).hex(),
            "facts": replace(facts, more={}).to_json(),
            "seconds": allowed,
        }
        return self._executor.submit(self._measure_picture, request, allowed)

    def child_pids(self) -> list[int]:
        """The processes that run now."""
        with self._lock:
            return [child.pid for child in self._running]

    def _describe(self, request: dict[str, Any]) -> Described:
        answer = self._ask(request, self._limits.seconds)
        if answer.problem is not None and not answer.fresh and not answer.timed_out:
            # The child may have been hurt by a file before: a crash counts only against a fresh one.
            answer = self._ask(request, self._limits.seconds, fresh=True)
        if answer.problem is None:
            return answer.described
        what = Noticed("media-crash", FAULT, answer.problem, rule="A file can be read within its limits.")
        if not answer.told:
            # It fell before it had any facts, so over the first parser: the second may do without.
            again = self._ask({**request, "careful": True}, self._limits.seconds)
            if again.problem is None:
                return replace(again.described, noticed=(*again.described.noticed, what))
        # What was known before the crash is kept; a fresh child draws the panel that says what happened.
        panel = self._ask({**request, "reason": answer.problem}, _PLACEHOLDER_SECONDS)
        known = answer.described
        return replace(known, stills=panel.described.stills, noticed=(*known.noticed, what))

    def _measure_sound(self, request: dict[str, Any], seconds: float) -> SoundMeasured:
        from ingest.measure.sound_numbers import SoundMeasured

        numbers, problem = self._measure(request, seconds, SoundMeasured.from_json)
        return SoundMeasured(problem=problem) if numbers is None else numbers

    def _measure_picture(self, request: dict[str, Any], seconds: float) -> PictureMeasured:
        from ingest.measure.picture_numbers import PictureMeasured, PictureNumbers

        return PictureMeasured(*self._measure(request, seconds, PictureNumbers.from_json))

    def _measure(
        self, request: dict[str, Any], seconds: float, read: Callable[[Any], T]
    ) -> tuple[T | None, str]:
        """The numbers, or None and the reason."""
        answer = self._ask_numbers(request, seconds, read)
        if answer.problem is not None and not answer.fresh and not answer.timed_out:
            answer = self._ask_numbers(request, seconds, read, fresh=True)  # as in `_describe`
        return answer.numbers, answer.problem or answer.refusal

    def _ask_numbers(
        self, request: dict[str, Any], seconds: float, read: Callable[[Any], Any], fresh: bool = False
    ) -> _Answer:
        child = self._start() if fresh else self._take()
        answer = child.ask_numbers(request, seconds, read)
        self._put_back(child, answer)
        return answer

    def _ask(self, request: dict[str, Any], seconds: float, fresh: bool = False) -> _Answer:
        child = self._start() if fresh else self._take()
        answer = child.ask(request, seconds)
        self._put_back(child, answer)
        return answer

    def _put_back(self, child: _Child, answer: _Answer) -> None:
        if answer.problem is None and not answer.last and child.asked < _FILES_PER_CHILD:
            self._idle.put(child)
        else:
            self._drop(child)

    def _take(self) -> _Child:
        """An idle child that lives, or a new one. Raises MediaError."""
        while True:
            try:
                child = self._idle.get_nowait()
            except queue.Empty:
                return self._start()
            if child.alive:
                return child
            self._drop(child)

    def _start(self) -> _Child:
        with self._lock:
            if self._closed:
                raise MediaError("the media readers were stopped")
            child = _Child(self._limits)
            self._running.add(child)
        try:
            child.wait_until_ready()
        except MediaError:
            self._drop(child)
            raise
        return child

    def _drop(self, child: _Child) -> None:
        child.stop()
        with self._lock:
            self._running.discard(child)


@dataclass(frozen=True, slots=True)
class _Limits:
    memory_mib: int
    seconds: int
    nicer: int = 0


@dataclass(frozen=True, slots=True)
class _Answer:
    """`problem` says why the child is lost; `described` is then what it told before.

    `told`: there is such a description. `fresh`: the child had read nothing before. `last`: it will read
    nothing more. `numbers`: of a measurement; `refusal`: why there are none, though the child is well.
    """

    described: Described
    problem: str | None = None
    told: bool = False
    fresh: bool = False
    timed_out: bool = False
    last: bool = False
    numbers: Any = None
    refusal: str = ""


class _Child:
    """One running child. Used by one thread at a time, save `kill`."""

    def __init__(self, limits: _Limits) -> None:
        environment = {k: v for k, v in os.environ.items() if not k.startswith(_PRIVATE_PREFIX)}
        # Each thread of a maths library and each arena of malloc reserves address space, which is limited.
        environment |= {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MALLOC_ARENA_MAX": "2"}
        self._limits = limits
        self._process = subprocess.Popen(
            # -P: nothing is imported from the current folder, which may be a card.
            [sys.executable, "-P", "-m", "ingest.media.child"]
            + [str(one) for one in (limits.memory_mib, limits.seconds, limits.nicer)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=environment,
            cwd="/",
            bufsize=0,
            start_new_session=True,  # an interrupt typed at the terminal is the parent's to handle
        )
        self._unread = b""
        self.asked = 0

    @property
    def pid(self) -> int:
        return self._process.pid

    @property
    def alive(self) -> bool:
        return self._process.poll() is None

    def wait_until_ready(self) -> None:
        """Raises MediaError when the child can't load its parsers, which is no file's fault."""
        if self._line(time.monotonic() + _START_SECONDS) is None:
            raise MediaError(
                f"the process that reads media can't start within {self._limits.memory_mib} MiB",
                remedy="Raise media_memory_mib, or install the program again.",
            )

    def ask(self, request: dict[str, Any], seconds: float) -> _Answer:
        """Have one file described. Never raises for what the file does to the child."""
        known, told, deadline = Described(None), False, time.monotonic() + seconds
        try:
            self._send(request)
            while (line := self._line(deadline)) is not None:
                words = json.loads(line)
                known = _checked(words["done"] if "done" in words else words["facts"], request["stem"])
                told = True
                if "done" in words:
                    return _Answer(known, last=words.get("last") is True)
        except (OSError, ValueError, KeyError, TypeError, RecursionError):
            pass  # a broken pipe, or an answer that no sound child gives
        timed_out = time.monotonic() >= deadline
        return _Answer(known, self._death(timed_out, seconds), told, self.asked == 1, timed_out)

    def ask_numbers(self, request: dict[str, Any], seconds: float, read: Callable[[Any], Any]) -> _Answer:
        """Have one file measured; `read` checks the numbers. Never raises for what the file does."""
        deadline = time.monotonic() + seconds
        try:
            self._send(request)
            if (line := self._line(deadline, _NUMBERS_BYTES)) is not None:
                words = json.loads(line)
                if "error" in words:
                    said = "".join(c for c in str(words["error"])[:300] if c.isprintable())
                    return _Answer(Described(None), refusal=said, last=words.get("last") is True)
                return _Answer(Described(None), numbers=read(words["numbers"]))
        except (OSError, ValueError, KeyError, TypeError, RecursionError):
            pass  # as in `ask`
        timed_out = time.monotonic() >= deadline
        death = self._death(timed_out, seconds)
        return _Answer(Described(None), death, fresh=self.asked == 1, timed_out=timed_out)

    def _send(self, request: dict[str, Any]) -> None:
        self.asked += 1
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(request).encode() + b"\n")
        self._process.stdin.flush()

    def _line(self, deadline: float, most: int = _ANSWER_BYTES) -> bytes | None:
        """One line of the child's, or None: it died, said too much, or the time is up."""
        assert self._process.stdout is not None
        pipe = self._process.stdout.fileno()
        while b"\n" not in self._unread:
            left = deadline - time.monotonic()
            if left <= 0 or len(self._unread) > most or not _readable(pipe, left):
                return None
            some = os.read(pipe, 65_536)
            if not some:
                return None
            self._unread += some
        line, _, self._unread = self._unread.partition(b"\n")
        return line

    def _death(self, timed_out: bool, seconds: float) -> str:
        """End the child, and say in words why."""
        if timed_out:
            self.kill()
            return f"Reading this file took longer than {seconds:.0f} s and was given up."
        try:
            code = self._process.wait(timeout=1)
        except subprocess.TimeoutExpired:
            self.kill()
            return "The process that read this file gave no sensible answer and was ended."
        if code < 0:
            return f"The process that read this file was ended by {_signal_name(-code)}."
        return f"The process that read this file ended with code {code}."

    def kill(self) -> None:
        self._process.kill()

    def stop(self) -> None:
        """End the child and let go of its pipes."""
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with contextlib.suppress(BrokenPipeError):  # words it never took
                    pipe.close()
        try:
            self._process.wait(timeout=2)  # its requests have ended, so it does too
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


def _readable(pipe: int, seconds: float) -> bool:
    poller = select.poll()
    poller.register(pipe, select.POLLIN | select.POLLHUP)
    return bool(poller.poll(seconds * 1000))


def _checked(words: Any, stem: str) -> Described:
    """A description, if it names no files but its own. Raises ValueError."""
    described = Described.from_json(words)
    for ordinal, still in enumerate(described.stills):
        if still.ordinal != ordinal or still.path != f"{stem}-{ordinal}.jpg":
            raise ValueError("a still that was not asked for")
    return described


def _signal_name(number: int) -> str:
    try:
        return signal.Signals(number).name
    except ValueError:
        return f"signal {number}"
