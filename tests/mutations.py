"""Does a test fail when a safeguard is taken out? `python -m tests.mutations [WORD…]`

Takes the safeguards of the copy engine out of a copy of the source, one at a time, and runs the tests that
are there for it. A safeguard that no test misses is reported, and the exit code is 1. With words, only the
mutations whose name contains one of them are run. Not part of the suite: it takes minutes.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from queue import SimpleQueue

from tests.safeguards import MUTATIONS, Mutation

ROOT = Path(__file__).resolve().parent.parent
COPIED = ("shared", "ingest", "api", "sample_media", "tests", "pyproject.toml")
SECONDS = 120  # a run that hangs is a run that fails
WORKERS = 2


def copy_source(into: Path) -> Path:
    """A copy of everything that the tests need, without the caches."""
    for name in COPIED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, into / name, ignore=shutil.ignore_patterns("__pycache__", "*.pyc"))
        else:
            shutil.copy2(source, into / name)
    return into


def run_tests(folder: Path, tests: str) -> str:
    """What the tests say of the source in a folder: passed, failed or hung."""
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", f"tests/ingest/{tests}"]
    settings = {
        **os.environ,
        "PYTHONPATH": str(folder),
        "PYTHONDONTWRITEBYTECODE": "1",
        "SOAK_HISTORIES": "100",
    }
    child = subprocess.Popen(
        command,
        cwd=folder,
        env=settings,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        return "failed" if child.wait(SECONDS) else "passed"
    except subprocess.TimeoutExpired:
        os.killpg(child.pid, 9)
        child.wait()
        return "hung"


def run_without(folder: Path, mutation: Mutation) -> str:
    """Take the safeguard out, run its tests, put it back. Raises ValueError when it is not there once."""
    file = folder / mutation.file
    source = file.read_text()
    if source.count(mutation.before) != 1:
        raise ValueError(f"{mutation.name}: stands {source.count(mutation.before)} times in {mutation.file}")
    mutated = source.replace(mutation.before, mutation.after)
    compile(mutated, mutation.file, "exec")  # a mutation that is no program would be killed by anything
    file.write_text(mutated)
    try:
        return run_tests(folder, mutation.tests)
    finally:
        file.write_text(source)


def imports_the_copy(folder: Path) -> bool:
    """Whether the tests would see the mutated source, and not the program that is installed."""
    told = subprocess.run(
        [sys.executable, "-c", "import ingest; print(ingest.__file__)"],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(folder)},
        capture_output=True,
        text=True,
        check=True,
    )
    return told.stdout.startswith(str(folder))


def main(words: list[str]) -> int:
    chosen = [m for m in MUTATIONS if not words or any(word in m.name for word in words)]
    started = time.monotonic()
    survivors = 0
    with tempfile.TemporaryDirectory() as temporary, ThreadPoolExecutor(WORKERS) as pool:
        folders: SimpleQueue[Path] = SimpleQueue()
        for number in range(WORKERS):
            folder = copy_source(Path(temporary) / str(number))
            assert imports_the_copy(folder)
            folders.put(folder)

        def in_a_folder(work: Callable[[Path], str]) -> str:
            folder = folders.get()
            try:
                return work(folder)
            finally:
                folders.put(folder)

        suites = sorted({mutation.tests for mutation in chosen})
        works = [partial(run_tests, tests=suite) for suite in suites]
        for suite, outcome in zip(suites, pool.map(in_a_folder, works), strict=True):
            if outcome != "passed":
                print(f"{suite} {outcome} on the source as it is: mend that first")
                return 1
        works = [partial(run_without, mutation=mutation) for mutation in chosen]
        for mutation, outcome in zip(chosen, pool.map(in_a_folder, works), strict=True):
            survivors += outcome == "passed"
            said = "SURVIVED" if outcome == "passed" else f"killed ({outcome})"
            print(f"{said:16} {mutation.name} ({mutation.tests})", flush=True)
    seconds = time.monotonic() - started
    print(f"{len(chosen) - survivors} of {len(chosen)} killed in {seconds:.0f} s")
    return 1 if survivors else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
