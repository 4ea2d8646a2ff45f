"""The pool: whatever a file does to its child, an answer comes, and nothing but the file is read."""

from __future__ import annotations

import contextlib
import os
import resource
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from PIL import Image

from ingest.media.describe import describe, read
from ingest.media.facts import Described, StillTaken
from ingest.media.limits import NICENESS, OPEN_FILES, WRITTEN_BYTES
from ingest.media.pool import MediaPool, _checked
from shared.errors import MediaError
from shared.settings import Settings
from tests.ingest.media_support import needs_ffmpeg, run_ffmpeg, wave_bytes

TIMEOUT = 60


def make_settings(home: Path, **values: object) -> Settings:
    return Settings(home=home, **values)  # type: ignore[arg-type]


@pytest.fixture
def pool(tmp_path: Path) -> Iterator[MediaPool]:
    with MediaPool(make_settings(tmp_path)) as pool:
        yield pool


@pytest.fixture
def wave(tmp_path: Path) -> Path:
    return make_wave(tmp_path / "take.wav")


def make_wave(path: Path) -> Path:
    path.write_bytes(wave_bytes([9000, -9000] * 500, 48_000, date="2026-05-12", time="10:00:00", reference=5))
    return path


@pytest.fixture(scope="module")
def slow(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A film with one key frame: each still is decoded from the beginning, which takes a while."""
    path = tmp_path_factory.mktemp("slow") / "slow.mp4"
    source = "testsrc2=s=640x360:r=25"
    run_ffmpeg(
        "-f", "lavfi", "-i", source, "-t", "72", "-c:v", "libx264", "-preset", "ultrafast", "-g", "9999", path
    )
    return path


def wait_for(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + TIMEOUT
    while not condition():
        assert time.monotonic() < deadline, "it never happened"
        time.sleep(0.001)


def is_reading(pid: int, path: Path) -> bool:
    try:
        return any(link.resolve() == path for link in Path(f"/proc/{pid}/fd").iterdir())
    except OSError:
        return False


def stop_while_reading(pool: MediaPool, path: Path) -> int:
    """Freeze the child that has `path` open, and return its process id."""
    wait_for(lambda: any(is_reading(pid, path) for pid in pool.child_pids()))
    pid = next(pid for pid in pool.child_pids() if is_reading(pid, path))
    os.kill(pid, signal.SIGSTOP)
    assert is_reading(pid, path), "it was done before it could be stopped"
    return pid


@contextlib.contextmanager
def striking(pool: MediaPool, path: Path, how: signal.Signals) -> Iterator[set[int]]:
    """Meanwhile, every child that has `path` open gets the signal. Yields the process ids that did."""
    struck: set[int] = set()
    ended = threading.Event()

    def strike() -> None:
        while not ended.is_set():
            for pid in pool.child_pids():
                if pid not in struck and is_reading(pid, path):
                    os.kill(pid, how)
                    struck.add(pid)
            time.sleep(0.001)

    thread = threading.Thread(target=strike)
    thread.start()
    try:
        yield struck
    finally:
        ended.set()
        thread.join()


def codes(described: Described) -> list[str]:
    return [one.code for one in described.noticed]


def is_panel(described: Described, into: Path) -> bool:
    return [one.kind for one in described.stills] == ["placeholder"] and all(
        (into / one.path).is_file() for one in described.stills
    )


def test_names_that_are_no_text_arrive(pool: MediaPool, wave: Path, tmp_path: Path) -> None:
    into = tmp_path / "stills"
    for index, name in enumerate(
        (b"\xff\xfe.wav", "Ä ö\n\x1b[31m \U0001f600.wav".encode(), b"-rf.wav", b"a'\".wav")
    ):
        path = tmp_path / os.fsdecode(name)
        shutil.copy(wave, path)
        described = pool.describe(path, into, f"s{index}").result(TIMEOUT)
        assert described.facts is not None and described.facts.samples == 1000
        assert [one.path for one in described.stills] == [f"s{index}-0.jpg"]
    assert len(list(into.iterdir())) == 4


@pytest.mark.parametrize("stem", ["", "a/b", "../x", ".hidden", "a\0b"])
def test_a_stem_that_is_no_plain_name_is_refused(pool: MediaPool, wave: Path, stem: str) -> None:
    with pytest.raises(ValueError):
        pool.describe(wave, wave.parent, stem)


def test_a_missing_file_is_a_finding(pool: MediaPool, tmp_path: Path) -> None:
    described = pool.describe(tmp_path / "gone.mov", tmp_path, "s").result(TIMEOUT)
    assert (
        described.facts is None and codes(described) == ["media-unreadable"] and is_panel(described, tmp_path)
    )


@needs_ffmpeg
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSEGV, signal.SIGABRT])
def test_a_file_that_kills_its_readers_gives_a_panel_and_loses_no_other_file(
    pool: MediaPool, slow: Path, wave: Path, tmp_path: Path, how: signal.Signals
) -> None:
    with striking(pool, slow, how) as struck:
        deadly = pool.describe(slow, tmp_path, "deadly")
        others = [pool.describe(wave, tmp_path, f"other{n}") for n in range(3)]
        described = deadly.result(TIMEOUT)
    assert struck
    assert is_panel(described, tmp_path) and codes(described)[-1] == "media-crash"
    assert how.name in described.noticed[-1].message and described.noticed[-1].severity == "fault"
    for other in others:
        found = other.result(TIMEOUT)
        assert found.facts is not None and found.stills and codes(found) == []
    assert not struck & set(pool.child_pids())


@needs_ffmpeg
def test_a_file_that_brings_down_the_first_parser_is_read_by_the_second(slow: Path, tmp_path: Path) -> None:
    facts, noticed = read(slow, careful=True)
    whole, _ = read(slow)
    assert facts is not None and whole is not None
    assert [one.code for one in noticed] == ["facts-incomplete"]
    for name in ("width", "height", "rate_num", "rate_den", "frames", "bit_depth", "pixel_aspect"):
        assert getattr(facts, name) == getattr(whole, name) is not None, name
    described = describe(slow, tmp_path, "s", 3, 640, lambda _: None, careful=True)
    assert [one.frame for one in described.stills] == [180, 900, 1620]


@needs_ffmpeg
def test_the_death_of_a_used_child_is_not_held_against_the_file(
    pool: MediaPool, slow: Path, wave: Path, tmp_path: Path
) -> None:
    pool.describe(wave, tmp_path, "first").result(TIMEOUT)
    future = pool.describe(slow, tmp_path, "second")
    pid = stop_while_reading(pool, slow)
    os.kill(pid, signal.SIGKILL)
    described = future.result(TIMEOUT)
    assert [one.frame for one in described.stills] == [180, 900, 1620] and "media-crash" not in codes(
        described
    )


@needs_ffmpeg
def test_a_file_that_takes_too_long_is_given_up(slow: Path, wave: Path, tmp_path: Path) -> None:
    with MediaPool(make_settings(tmp_path, media_seconds=2)) as pool:
        with striking(pool, slow, signal.SIGSTOP) as struck:
            begun = time.monotonic()
            described = pool.describe(slow, tmp_path, "stuck").result(TIMEOUT)
            assert time.monotonic() - begun < 25
        assert is_panel(described, tmp_path) and codes(described)[-1] == "media-crash"
        assert "longer than 2 s" in described.noticed[-1].message
        assert struck and not any(Path(f"/proc/{pid}").exists() for pid in struck)
        assert pool.describe(wave, tmp_path, "next").result(TIMEOUT).facts is not None


@needs_ffmpeg
def test_facts_found_before_the_stills_went_wrong_are_kept(
    pool: MediaPool, slow: Path, tmp_path: Path
) -> None:
    future = pool.describe(slow, tmp_path, "s")
    wait_for(lambda: any(is_reading(pid, slow) for pid in pool.child_pids()))
    time.sleep(0.25)  # reading facts takes a few ms of it, the stills a second and more
    pid = stop_while_reading(pool, slow)
    os.kill(pid, signal.SIGKILL)
    described = future.result(TIMEOUT)
    assert described.facts is not None and described.facts.frames == 1800
    assert codes(described)[-1] == "media-crash" and is_panel(described, tmp_path)


def test_memory_has_a_limit_and_the_next_file_is_read(wave: Path, tmp_path: Path) -> None:
    huge = tmp_path / "huge.png"
    Image.new("1", (9000, 9000)).save(huge)  # 11 KB on the card, 243 MB as RGB
    with MediaPool(make_settings(tmp_path, media_memory_mib=420)) as pool:
        described = pool.describe(huge, tmp_path, "huge").result(TIMEOUT)
        assert is_panel(described, tmp_path)
        assert codes(described)[-1] in ("media-memory", "media-crash"), described.noticed
        assert described.facts is not None and described.facts.width == 9000
        after = pool.describe(wave, tmp_path, "after").result(TIMEOUT)
        assert after.facts is not None and codes(after) == []
    with MediaPool(make_settings(tmp_path, media_memory_mib=1024)) as pool:
        assert codes(pool.describe(huge, tmp_path, "huge").result(TIMEOUT)) == []


def test_the_child_lives_within_its_limits(pool: MediaPool, wave: Path, tmp_path: Path) -> None:
    pool.describe(wave, tmp_path, "s").result(TIMEOUT)
    (pid,) = pool.child_pids()
    assert resource.prlimit(pid, resource.RLIMIT_AS)[1] == 2048 * 2**20
    assert resource.prlimit(pid, resource.RLIMIT_CORE) == (0, 0)
    assert resource.prlimit(pid, resource.RLIMIT_NOFILE) == (OPEN_FILES, OPEN_FILES)
    assert resource.prlimit(pid, resource.RLIMIT_FSIZE) == (WRITTEN_BYTES, WRITTEN_BYTES)
    assert os.getpriority(os.PRIO_PROCESS, pid) == os.getpriority(os.PRIO_PROCESS, 0) + NICENESS
    # What a C library prints goes nowhere, and not between the answers.
    assert [str(Path(f"/proc/{pid}/fd/{n}").readlink()) for n in (0, 1, 2)] == ["/dev/null"] * 3
    assert Path(f"/proc/{pid}/cwd").readlink() == Path("/")


def test_the_child_is_not_told_our_secrets_and_imports_nothing_from_here(
    wave: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("RUSHLIGHT_TOKEN", "hunter2")
    monkeypatch.chdir(tmp_path)
    for module in ("av", "numpy", "json", "ingest"):
        (tmp_path / f"{module}.py").write_text("raise SystemExit('a module from the card')")
    with MediaPool(make_settings(tmp_path)) as pool:
        assert pool.describe(Path("take.wav"), Path("stills"), "s").result(TIMEOUT).facts is not None
        (pid,) = pool.child_pids()
        assert b"hunter2" not in Path(f"/proc/{pid}/environ").read_bytes()
    assert (tmp_path / "stills" / "s-0.jpg").is_file()


def test_the_parent_loads_no_decoder() -> None:
    program = (
        "import sys, ingest.media.pool, ingest.media.kinds, ingest.clips;"
        "print(sorted({'av', 'numpy', 'scipy', 'PIL', 'pymediainfo'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_children_are_replaced_now_and_then(
    wave: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ingest.media.pool._FILES_PER_CHILD", 2)
    pids = []
    with MediaPool(make_settings(tmp_path)) as pool:
        for number in range(5):
            assert pool.describe(wave, tmp_path, f"s{number}").result(TIMEOUT).facts is not None
            pids += pool.child_pids()
    assert len(set(pids)) == 3, "the first, third and fifth file are left with an idle child"


def test_as_many_children_as_workers_and_none_left_behind(wave: Path, tmp_path: Path) -> None:
    with MediaPool(make_settings(tmp_path, media_workers=2)) as pool:
        futures = [pool.describe(wave, tmp_path, f"s{n}") for n in range(12)]
        assert all(codes(future.result(TIMEOUT)) == [] for future in futures)
        pids = pool.child_pids()
        assert 1 <= len(pids) <= 2
    assert not any(Path(f"/proc/{pid}").exists() for pid in pids)


@needs_ffmpeg
def test_leaving_by_an_error_ends_the_children_at_once(slow: Path, tmp_path: Path) -> None:
    pids = []
    with pytest.raises(KeyboardInterrupt), MediaPool(make_settings(tmp_path)) as pool:
        futures = [pool.describe(slow, tmp_path, f"s{n}") for n in range(20)]
        pids.append(stop_while_reading(pool, slow))
        begun = time.monotonic()
        raise KeyboardInterrupt
    assert time.monotonic() - begun < 15
    assert not Path(f"/proc/{pids[0]}").exists()
    assert all(future.done() for future in futures)


def test_a_child_that_cannot_start_is_an_error_with_a_remedy(wave: Path, tmp_path: Path) -> None:
    settings = make_settings(tmp_path).model_copy(update={"media_memory_mib": 60})
    with MediaPool(settings) as pool, pytest.raises(MediaError, match="media_memory_mib"):
        pool.describe(wave, tmp_path, "s").result(TIMEOUT)


@pytest.mark.parametrize("path", ["../../etc/x.jpg", "/tmp/s-0.jpg", "t-0.jpg", "s-1.jpg"])
def test_a_child_that_names_other_files_is_not_believed(path: str) -> None:
    good = Described(None, (StillTaken(0, "frame", 0, "s-0.jpg", 1, 1),))
    assert _checked(good.to_json(), "s") == good
    with pytest.raises(ValueError):
        _checked(Described(None, (StillTaken(0, "frame", 0, path, 1, 1),)).to_json(), "s")
