"""Hostile media: nothing but the file itself is read, and every damaged file gets an answer."""

from __future__ import annotations

import http.server
import json
import random
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from watchdog.events import FileOpenedEvent, FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer

from ingest.media import probe
from ingest.media.facts import Described
from ingest.media.pool import MediaPool
from shared.settings import Settings
from tests.ingest.media_support import make_counter, needs_ffmpeg, run_ffmpeg, wave_bytes

TIMEOUT = 60


def make_settings(home: Path, **values: object) -> Settings:
    return Settings(home=home, **values)  # type: ignore[arg-type]


@pytest.fixture
def pool(tmp_path: Path) -> Iterator[MediaPool]:
    with MediaPool(make_settings(tmp_path)) as pool:
        yield pool


def make_wave(path: Path) -> Path:
    path.write_bytes(wave_bytes([9000, -9000] * 500, 48_000, date="2026-05-12", time="10:00:00", reference=5))
    return path


def wait_for(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + TIMEOUT
    while not condition():
        assert time.monotonic() < deadline, "it never happened"
        time.sleep(0.001)


def codes(described: Described) -> list[str]:
    return [one.code for one in described.noticed]


def is_panel(described: Described, into: Path) -> bool:
    return [one.kind for one in described.stills] == ["placeholder"] and all(
        (into / one.path).is_file() for one in described.stills
    )


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


def widths_behind_the_wall(path: Path) -> list[str]:
    """What MediaInfo finds in a process of its own: the wall stands around a whole process, and in this one
    the threads that look on would run against it."""
    code = """
import json, sys
from ingest.media import probe
from ingest.media.limits import no_new_files
probe.load_parser()
with open(sys.argv[1], "rb") as file, no_new_files():
    _, tracks = probe._report(file)
print(json.dumps([track.get("Width") for track in tracks if track["@type"] == "Video" and "Width" in track]))
"""
    run = subprocess.run([sys.executable, "-c", code, path], capture_output=True, text=True, check=True)
    widths: list[str] = json.loads(run.stdout)
    return widths


@needs_ffmpeg
def test_even_a_parser_that_follows_names_can_open_nothing(
    tmp_path: Path, secret: tuple[Path, Opened], address: tuple[str, list[str]]
) -> None:
    """The second wall: were a playlist taken for a container, MediaInfo would follow it, and can't."""
    folder, opened = secret
    path = tmp_path / "hls.mp4"
    path.write_text(playlists(folder, address[0])["hls"])
    assert widths_behind_the_wall(path) == []
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
