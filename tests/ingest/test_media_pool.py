"""The pool: whatever a file does to its child, an answer comes, and nothing but the file is read."""

from __future__ import annotations

import contextlib
import http.server
import os
import random
import resource
import shutil
import signal
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from PIL import Image
from watchdog.events import FileOpenedEvent, FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer

from ingest.media import probe
from ingest.media.describe import describe, read
from ingest.media.facts import Described, StillTaken
from ingest.media.limits import NICENESS, OPEN_FILES, WRITTEN_BYTES, no_new_files
from ingest.media.pool import MediaPool, _checked
from shared.errors import MediaError
from shared.settings import Settings
from tests.ingest.media_support import make_counter, needs_ffmpeg, run_ffmpeg, wave_bytes

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
        "-f", "lavfi", "-i", source, "-t", "24", "-c:v", "libx264", "-preset", "ultrafast", "-g", "9999", path
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
    assert [one.frame for one in described.stills] == [60, 300, 540]


@needs_ffmpeg
def test_the_death_of_a_used_child_is_not_held_against_the_file(
    pool: MediaPool, slow: Path, wave: Path, tmp_path: Path
) -> None:
    pool.describe(wave, tmp_path, "first").result(TIMEOUT)
    future = pool.describe(slow, tmp_path, "second")
    pid = stop_while_reading(pool, slow)
    os.kill(pid, signal.SIGKILL)
    described = future.result(TIMEOUT)
    assert [one.frame for one in described.stills] == [60, 300, 540] and "media-crash" not in codes(described)


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
    assert described.facts is not None and described.facts.frames == 600
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


# Files that name other files or addresses, under the name of a film.


class Opened(FileSystemEventHandler):
    """The files that some process opened in a folder; the kernel tells (inotify)."""

    def __init__(self) -> None:
        self.paths: list[str] = []

    def on_any_event(self, event: FileSystemEvent) -> None:
        if isinstance(event, FileOpenedEvent):
            self.paths.append(str(event.src_path))


@pytest.fixture
def secret(tmp_path: Path) -> Iterator[tuple[Path, Opened]]:
    """A film and a text that nobody may open, and what was opened there."""
    folder = tmp_path / "secret"
    folder.mkdir()
    for suffix, codec in (("ts", ("-f", "mpegts")), ("mp4", ())):
        run_ffmpeg(
            *("-f", "lavfi", "-i", "testsrc2=s=160x96:r=25", "-t", "0.4", "-c:v", "libx264", *codec),
            folder / f"film.{suffix}",
        )
    (folder / "text.txt").write_text("canary")
    opened = Opened()
    observer = Observer()
    observer.schedule(opened, str(folder))
    observer.start()
    yield folder, opened
    observer.stop()
    observer.join()


@pytest.fixture
def address() -> Iterator[tuple[str, list[str]]]:
    """An address on this machine, and the requests that came."""
    requests: list[str] = []

    class Listener(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            requests.append(self.path)
            self.send_error(404)

        def log_message(self, format: str, *args: object) -> None:
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Listener)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}", requests
    server.shutdown()
    thread.join()
    server.server_close()


def playlists(folder: Path, url: str) -> dict[str, str]:
    film, stream, text = folder / "film.mp4", folder / "film.ts", folder / "text.txt"
    mpd = '<MPD xmlns="urn:mpeg:dash:schema:mpd:2011"><Period>{}</Period></MPD>'
    representation = '<AdaptationSet mimeType="video/mp4"><Representation id="1"><BaseURL>{}</BaseURL>'
    representation += "</Representation></AdaptationSet>"
    return {
        "hls": f"#EXTM3U\n#EXT-X-TARGETDURATION:9\n#EXTINF:9,\n{stream}\n#EXTINF:9,\n{url}/a.ts\n",
        "concat": f"ffconcat version 1.0\nfile '{film}'\nfile '{url}/b.mp4'\n",
        "dash": mpd.format(representation.format(film) + representation.format(f"{url}/c.mp4")),
        "smooth": f'<smil><body><switch><video src="{film}"/><video src="{url}/d"/></switch></body></smil>',
        "entity": f'<!DOCTYPE x [<!ENTITY a SYSTEM "file://{text}">]>' + mpd.format("&a;"),
        "subtitles": f"1\n00:00:00,000 --> 00:00:01,000\n{text}\n",
        "sdp": f"v=0\no=- 0 0 IN IP4 127.0.0.1\nm=video 5004 RTP/AVP 96\na=control:{url}/e\n",
    }


@needs_ffmpeg
def test_no_other_file_and_no_address_is_read(
    pool: MediaPool, tmp_path: Path, secret: tuple[Path, Opened], address: tuple[str, list[str]]
) -> None:
    (folder, opened), (url, requests) = secret, address
    for kind, text in playlists(folder, url).items():
        for suffix in ("mp4", "mov", "mkv", "wav", "jpg"):
            path = tmp_path / f"{kind}.{suffix}"
            path.write_text(text)
            described = pool.describe(path, tmp_path, f"{kind}-{suffix}").result(TIMEOUT)
            assert described.facts is None and codes(described) == ["media-unreadable"], path
            assert is_panel(described, tmp_path)
    time.sleep(0.3)
    assert opened.paths == [] and requests == []
    (folder / "text.txt").read_text()  # this is what it would have looked like
    wait_for(lambda: opened.paths == [str(folder / "text.txt")])


@needs_ffmpeg
def test_even_a_parser_that_follows_names_can_open_nothing(
    tmp_path: Path, secret: tuple[Path, Opened], address: tuple[str, list[str]]
) -> None:
    """The second wall: were a playlist taken for a container, MediaInfo would follow it, and can't."""
    folder, opened = secret
    path = tmp_path / "hls.mp4"
    path.write_text(playlists(folder, address[0])["hls"])
    probe.load_parser()
    with path.open("rb") as file, no_new_files():
        _, tracks = probe._report(file)
    assert [track for track in tracks if track["@type"] == "Video" and "Width" in track] == []
    time.sleep(0.3)
    assert opened.paths == []
    with path.open("rb") as file:  # without the wall it does follow: so the wall is what holds
        _, tracks = probe._report(file)
    assert [track["Width"] for track in tracks if track["@type"] == "Video"] == ["160"]
    wait_for(lambda: str(folder / "film.ts") in opened.paths)


@needs_ffmpeg
def test_a_movie_whose_media_lies_in_another_file_reads_only_itself(
    pool: MediaPool, tmp_path: Path, secret: tuple[Path, Opened]
) -> None:
    folder, opened = secret
    path = make_counter(tmp_path / "reference.mov", "25", 0.4, "-c:v", "libx264")
    path.write_bytes(refer_elsewhere(path.read_bytes(), f"file://{folder / 'film.mp4'}".encode()))
    described = pool.describe(path, tmp_path, "s").result(TIMEOUT)
    assert described.stills and described.facts is not None
    time.sleep(0.3)
    assert opened.paths == []


def refer_elsewhere(movie: bytes, url: bytes) -> bytes:
    """Make each data reference name another file (ISO/IEC 14496-12, 8.7.2 Data Reference Box)."""
    reference = b"url " + bytes(4) + url + b"\0"  # flags 0: the media is not in this file
    entry = struct.pack(">I", len(reference) + 4) + reference
    dref = bytes(4) + struct.pack(">I", 1) + entry

    def rewrite(boxes: bytes) -> bytes:
        out = b""
        while boxes:
            size, name = struct.unpack(">I4s", boxes[:8])
            body = boxes[8:size]
            if name in (b"moov", b"trak", b"mdia", b"minf", b"dinf"):
                body = rewrite(body)
            elif name == b"dref":
                body = dref
            out += struct.pack(">I4s", len(body) + 8, name) + body
            boxes = boxes[size:]
        return out

    assert movie.rfind(b"moov") > movie.rfind(b"mdat"), "the index is last, so no offset moves"
    return rewrite(movie)


@needs_ffmpeg
def test_damaged_files_each_give_facts_or_a_finding_and_a_still(tmp_path: Path) -> None:
    rng = random.Random(1)
    whole = {
        "mp4": make_counter(tmp_path / "a.mp4", "25", 1, "-c:v", "libx264", "-bf", "2").read_bytes(),
        "mov": make_counter(tmp_path / "a.mov", "25", 0.4, "-c:v", "prores_ks").read_bytes(),
        "mkv": make_counter(tmp_path / "a.mkv", "25", 1, "-c:v", "libx264").read_bytes(),
        "mxf": make_counter(tmp_path / "a.mxf", "25", 1, "-c:v", "mpeg2video").read_bytes(),
        "mts": make_counter(tmp_path / "a.mts", "25", 1, "-c:v", "libx264", "-f", "mpegts").read_bytes(),
        "wav": make_wave(tmp_path / "a.wav").read_bytes(),
    }
    with MediaPool(make_settings(tmp_path, media_seconds=10, media_workers=2)) as pool:
        asked = []
        for number in range(120):
            suffix = rng.choice(sorted(whole))
            path = tmp_path / f"damaged{number}.{suffix}"
            path.write_bytes(damaged(whole[suffix], rng))
            asked.append(pool.describe(path, tmp_path / "stills", f"s{number}"))
        described = [future.result(TIMEOUT * 4) for future in asked]
    assert all(one.stills for one in described)
    assert all(one.facts is not None or one.noticed for one in described)
    assert len({code for one in described for code in codes(one)}) > 4, "the damage shows in various ways"


def damaged(data: bytes, rng: random.Random) -> bytes:
    """Some bytes flipped, a size made absurd, a stretch zeroed, or the end cut off."""
    changed = bytearray(data)
    how = rng.randrange(4)
    if how == 0:
        for _ in range(rng.choice((1, 5, 50))):
            changed[rng.randrange(len(changed))] = rng.randrange(256)
    elif how == 1:
        at = rng.randrange(len(changed) - 4)
        changed[at : at + 4] = rng.choice((b"\xff\xff\xff\xff", bytes(4), b"\x7f\xff\xff\xff", b"\0\0\0\1"))
    elif how == 2:
        at = rng.randrange(len(changed))
        changed[at : at + 500] = bytes(len(changed[at : at + 500]))
    else:
        del changed[rng.randrange(len(changed)) :]
    return bytes(changed)
