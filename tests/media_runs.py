"""Put mutants through what reads media, and see that it keeps every promise made about hostile files."""

from __future__ import annotations

import contextlib
import http.server
import json
import resource
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import Future
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

from watchdog.events import FileOpenedEvent, FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer

from ingest.media.facts import Described
from ingest.media.pool import MediaPool
from shared.settings import Settings
from tests.ingest.media_support import run_ffmpeg
from tests.media_mutants import Mutant, make_originals, mutants

SECONDS, MEMORY_MIB = 10, 1024
CANARY = b"canary-0b5f1c-nobody-reads-this"
_AT_ONCE = 100
# A file may take a child twice, then one without MediaInfo, then one that draws the panel; and starting them.
_LONGEST = 3 * SECONDS + 20 + 30


@dataclass(slots=True)
class Tally:
    """What came of the mutants. `broken`: promises that were not kept, each named with its mutant."""

    files: int = 0
    facts: int = 0
    findings: int = 0
    codes: Counter[str] = field(default_factory=Counter)
    how: Counter[str] = field(default_factory=Counter)
    ears: Counter[str] = field(default_factory=Counter)
    crashes: list[str] = field(default_factory=list)
    longest: float = 0.0
    child_mib: float = 0.0
    parent_mib: float = 0.0
    seconds: float = 0.0
    broken: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        return (
            f"{self.files} files in {self.seconds:.0f} s: {self.facts} gave facts, "
            f"{self.findings} a finding; longest wait {self.longest:.1f} s; child at most "
            f"{self.child_mib:.0f} MiB resident, this process grew by {self.parent_mib:.0f} MiB\n"
            f"findings: {dict(self.codes.most_common())}\nsound: {dict(self.ears)}\nmutations: "
            f"{dict(self.how.most_common())}\n"
            + "".join(f"ended a child: {line}\n" for line in self.crashes)
            + "".join(f"BROKEN {line}\n" for line in self.broken)
        )


def run_mutants(folder: Path, seed: int, count: int, *, workers: int = 2) -> Tally:
    """Describe `count` mutants, read their sound, and see what was opened, used and said."""
    begun, before = time.monotonic(), _resident_mib("self")
    tally = Tally()
    (folder / "files").mkdir()
    limits = {"media_seconds": SECONDS, "media_memory_mib": MEMORY_MIB, "media_workers": workers}
    settings = Settings(home=folder, **limits)  # type: ignore[arg-type]
    with _lured(folder / "lures") as (lures, touched), _Ears() as ears:
        made = mutants(make_originals(folder), seed, count, lures)
        with MediaPool(settings) as pool, _watching_memory(pool, tally):
            while batch := list(islice(made, _AT_ONCE)):
                _run_batch(folder, pool, ears, batch, tally)
        time.sleep(0.3)
        tally.broken += [f"{path} was opened or asked for" for path in touched]
    tally.parent_mib = _resident_mib("self") - before
    tally.seconds = time.monotonic() - begun
    return tally


def _run_batch(folder: Path, pool: MediaPool, ears: _Ears, batch: list[Mutant], tally: Tally) -> None:
    asked: list[tuple[Mutant, Path, Future[Described]]] = []
    for mutant in batch:
        path = folder / "files" / f"m{mutant.number}.{mutant.suffix}"
        path.write_bytes(mutant.content)
        asked.append((mutant, path, pool.describe(path, folder / "stills", f"s{mutant.number}")))
    for mutant, path, future in asked:
        begun = time.monotonic()
        name = f"{mutant.number} ({mutant.how})"
        try:
            _judge(name, mutant, future.result(_LONGEST), folder / "stills", tally)
        except Exception as error:  # noqa: BLE001  # no fault of a file may reach the caller
            tally.broken.append(f"{name}: {type(error).__name__}: {error}")
        tally.longest = max(tally.longest, time.monotonic() - begun)
        if mutant.suffix not in ("xml", "jpg", "png", "tif", "webp"):
            heard = ears.hear(path)
            tally.ears[heard] += 1
        path.unlink()


def _judge(name: str, mutant: Mutant, described: Described, stills: Path, tally: Tally) -> None:
    tally.files += 1
    tally.how.update(mutant.how.split(" ", 1)[-1].split("+"))
    tally.facts += described.facts is not None
    tally.findings += bool(described.noticed)
    tally.codes.update({one.code for one in described.noticed})
    tally.crashes += [f"{name}: {one.message}" for one in described.noticed if one.code == "media-crash"]
    if described.facts is None and not described.noticed:
        tally.broken.append(f"{name}: neither facts nor a finding")
    if mutant.suffix != "xml" and not described.stills:
        tally.broken.append(f"{name}: no still, not even a panel")
    if CANARY in json.dumps(described.to_json()).encode():
        tally.broken.append(f"{name}: tells what another file holds")
    for still in described.stills:
        if CANARY in (stills / still.path).read_bytes():
            tally.broken.append(f"{name}: shows what another file holds")
        (stills / still.path).unlink()


class _Opened(FileSystemEventHandler):
    """The kernel tells of each file that some process opens (inotify)."""

    def __init__(self) -> None:
        self.paths: list[str] = []

    def on_any_event(self, event: FileSystemEvent) -> None:
        if isinstance(event, FileOpenedEvent):
            self.paths.append(str(event.src_path))


@contextlib.contextmanager
def _lured(folder: Path) -> Iterator[tuple[list[str], list[str]]]:
    """Paths and addresses that nobody may open, and the list of those that were."""
    folder.mkdir()
    (folder / "canary.txt").write_bytes(CANARY * 50)
    film = ("-f", "lavfi", "-i", "color=c=magenta:s=160x96:r=25", "-t", "0.4", "-c:v", "libx264")
    run_ffmpeg(*film, "-metadata", f"title={CANARY.decode()}", folder / "film.mp4")
    run_ffmpeg(*film, "-f", "mpegts", folder / "film.ts")
    opened = _Opened()

    class Listener(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            opened.paths.append(self.path)
            self.send_error(404)

        def log_message(self, format: str, *args: object) -> None:
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Listener)
    thread = threading.Thread(target=server.serve_forever)
    observer = Observer()
    observer.schedule(opened, str(folder))
    observer.start()
    thread.start()
    files = [str(folder / name) for name in ("canary.txt", "film.mp4", "film.ts")]
    address = f"http://127.0.0.1:{server.server_port}/film.mp4"
    try:
        yield (
            [*files, *(f"file://{path}" for path in files), address, address.replace("http", "tcp")],
            opened.paths,
        )
    finally:
        observer.stop()
        observer.join()
        server.shutdown()
        thread.join()
        server.server_close()


class _Ears:
    """The process of tests/media_ears.py, begun anew when a file has ended it."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[str] | None = None

    def __enter__(self) -> _Ears:
        return self

    def __exit__(self, *_: object) -> None:
        self._stop()

    def hear(self, path: Path) -> str:
        """What the process says of the file's sound; "died" where the file ended it."""
        process = self._started()
        assert process.stdin is not None and process.stdout is not None
        process.stdin.write(str(path.absolute()).encode().hex() + "\n")
        process.stdin.flush()
        heard = process.stdout.readline().strip()  # comes, or the alarm ends the process
        if heard:
            return heard
        code = process.wait()
        self._stop()
        return f"ended by signal {-code}" if code < 0 else f"ended with {code}"

    def _started(self) -> subprocess.Popen[str]:
        if self._process is None:
            command = [sys.executable, "-m", "tests.media_ears", str(MEMORY_MIB), str(SECONDS)]
            self._process = subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
                cwd=Path(__file__).parents[1],
            )
            assert self._process.stdout is not None
            assert self._process.stdout.readline() == "ready\n"
        return self._process

    def _stop(self) -> None:
        process, self._process = self._process, None
        if process is not None:
            assert process.stdin is not None and process.stdout is not None
            with contextlib.suppress(BrokenPipeError):
                process.stdin.close()
            process.wait(SECONDS + 10)
            process.stdout.close()


@contextlib.contextmanager
def _watching_memory(pool: MediaPool, tally: Tally) -> Iterator[None]:
    """Note the most that any child has had resident, and that each keeps the limit of its addresses."""
    ended = threading.Event()

    def watch() -> None:
        while not ended.wait(0.05):
            for pid in pool.child_pids():
                tally.child_mib = max(tally.child_mib, _resident_mib(str(pid)))

    thread = threading.Thread(target=watch)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()


def _resident_mib(process: str) -> float:
    """The most it has had resident so far. 0 for one that is gone."""
    if process == "self":
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    try:
        lines = Path(f"/proc/{process}/status").read_text().splitlines()
    except OSError:
        return 0.0
    return next((int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM")), 0.0)
