"""The bytes of a file: ranges and conditions of RFC 9110, and only what was proven under its final name."""

from __future__ import annotations

import gc
import os
import socket
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import psutil  # type: ignore[import-untyped]
import pytest
from sqlalchemy import select, update
from starlette.testclient import TestClient

from api.reads.contents import OTHER_TYPE, Stored, disposition_of
from shared.below import open_file_below
from shared.db import Sessions, writing
from shared.models import Copy, CopyState, File
from shared.settings import Settings
from tests.api.catalogue import Seeded, put_copy
from tests.api.test_api_errors import check_problem
from tests.api.test_api_serve import running

DATA = bytes(range(256)) * 4
ADDRESS = "/api/v1/files/1/content"


@pytest.fixture
def north(tmp_path: Path, catalogue: Sessions, seeded: Seeded) -> Path:
    """The one drive that is here. File 1 is DCIM/101CLIPS/C0001.MOV."""
    put_copy(catalogue, tmp_path / "north", DATA)
    return tmp_path / "north"


@pytest.fixture
def copy(north: Path) -> Path:
    (found,) = (path for path in north.rglob("*") if path.is_file())
    return found


def get(client: TestClient, **headers: str) -> tuple[int, bytes, dict[str, str]]:
    answer = client.get(ADDRESS, headers={name.replace("_", "-"): value for name, value in headers.items()})
    return answer.status_code, answer.content, dict(answer.headers)


def test_the_whole_file(client: TestClient, north: Path) -> None:
    status, data, headers = get(client)
    assert (status, data) == (200, DATA)
    assert headers["content-type"] == "video/quicktime"
    assert headers["content-length"] == "1024" and headers["accept-ranges"] == "bytes"
    assert headers["x-content-type-options"] == "nosniff" and "sandbox" in headers["content-security-policy"]
    assert headers["content-disposition"] == "inline; filename=\"C0001.MOV\"; filename*=UTF-8''C0001.MOV"
    assert headers["cache-control"] == "private, no-cache"


def test_its_clip_says_where_it_is(client: TestClient, north: Path) -> None:
    (file,) = client.get("/api/v1/clips/1").json()["files"]
    assert client.get(file["content"]).content == DATA


@pytest.mark.parametrize(
    ("asked", "start", "end"),
    [
        ("bytes=0-499", 0, 500),  # the examples of RFC 9110, 14.1.2, on 1024 bytes
        ("bytes=500-999", 500, 1000),
        ("bytes=-500", 524, 1024),
        ("bytes=9-", 9, 1024),
        ("bytes=0-0", 0, 1),
        ("bytes=-1", 1023, 1024),
        ("bytes=1000-99999999999999999999", 1000, 1024),
        ("bytes=-99999999999999999999", 0, 1024),
        ("BYTES=1023-1023", 1023, 1024),
    ],
)
def test_one_range(client: TestClient, north: Path, asked: str, start: int, end: int) -> None:
    status, data, headers = get(client, range=asked)
    assert (status, data) == (206, DATA[start:end])
    assert headers["content-range"] == f"bytes {start}-{end - 1}/1024"
    assert headers["content-length"] == str(end - start)


@pytest.mark.parametrize("asked", ["bytes=1024-", "bytes=5000-6000", "bytes=-0"])
def test_a_range_that_is_not_there(client: TestClient, north: Path, asked: str) -> None:
    answer = client.get(ADDRESS, headers={"Range": asked})
    check_problem(answer, 416)
    assert answer.headers["content-range"] == "bytes */1024"


@pytest.mark.parametrize(
    "asked",
    ["bytes=0-1,5-9", "bytes=5-2", "bytes=", "bytes=-", "bytes=a-b", "frames=0-1", "0-1", "bytes=1-2;x"],
)
def test_what_is_no_single_range_is_ignored(client: TestClient, north: Path, asked: str) -> None:
    """14.2 allows it, and several ranges would let one call ask for the same bytes a thousand times."""
    status, data, headers = get(client, range=asked)
    assert (status, data) == (200, DATA) and "content-range" not in headers


def test_an_empty_file(client: TestClient, catalogue: Sessions, tmp_path: Path, seeded: Seeded) -> None:
    put_copy(catalogue, tmp_path / "north", b"")
    assert get(client)[:2] == (200, b"")
    assert get(client, range="bytes=-5")[:2] == (200, b"")
    assert get(client, range="bytes=0-")[0] == 416


def test_head_is_the_answer_without_its_body(client: TestClient, north: Path) -> None:
    """9.3.2, and 14.2: a range counts for GET alone."""
    answer = client.head(ADDRESS, headers={"Range": "bytes=0-9"})
    assert (answer.status_code, answer.content) == (200, b"")
    assert answer.headers["content-length"] == "1024"
    assert answer.headers["etag"] == get(client)[2]["etag"]


def test_what_the_caller_has_is_not_sent_again(client: TestClient, north: Path) -> None:
    headers = get(client)[2]
    assert get(client, if_none_match=headers["etag"])[:2] == (304, b"")
    assert get(client, if_modified_since=headers["last-modified"])[0] == 304
    assert get(client, if_none_match='"another"', if_modified_since=headers["last-modified"])[0] == 200
    assert get(client, if_modified_since="yesterday")[0] == 200
    assert get(client, if_match=headers["etag"])[0] == 200
    for name, value in (("If-Match", '"x"'), ("If-Unmodified-Since", "Thu, 01 Jan 1970 00:00:00 GMT")):
        check_problem(client.get(ADDRESS, headers={name: value}), 412)


def test_a_part_counts_only_of_the_same_file(client: TestClient, north: Path, copy: Path) -> None:
    """13.1.5. A copy that was touched since its proof may hold other bytes, and its tag is another."""
    headers = get(client)[2]
    for fits in (headers["etag"], headers["last-modified"]):
        assert get(client, range="bytes=0-9", if_range=fits)[0] == 206
    weak = f"W/{headers['etag']}"
    for other in ('"x"', weak, "Thu, 01 Jan 1970 00:00:00 GMT", "nonsense"):
        assert get(client, range="bytes=0-9", if_range=other)[:2] == (200, DATA)
    copy.write_bytes(DATA[::-1])
    os.utime(copy, (1, 1))
    assert get(client, range="bytes=0-9", if_range=headers["etag"])[:2] == (200, DATA[::-1])


def test_the_tag_is_the_recorded_digest(client: TestClient, catalogue: Sessions, north: Path) -> None:
    before = get(client)[2]["etag"]
    assert before == get(client)[2]["etag"]
    with writing(catalogue) as session:
        session.execute(update(File).where(File.id == 1).values(digest="0" * 32))
    assert get(client)[2]["etag"] != before


# -- only what was proven, where it should stand ---------------------------------------------------------


def away(copy: Path) -> None:
    copy.unlink()


def shorter(copy: Path) -> None:
    os.truncate(copy, 1023)


def partial(copy: Path) -> None:
    copy.rename(copy.with_name(copy.name + ".partial"))


def a_link(copy: Path) -> None:
    copy.rename(copy.parents[4] / "elsewhere")
    copy.symlink_to(copy.parents[4] / "elsewhere")


def a_linked_folder(copy: Path) -> None:
    folder = copy.parent
    folder.rename(folder.parents[3] / "elsewhere")
    folder.symlink_to(folder.parents[3] / "elsewhere")


def a_pipe(copy: Path) -> None:
    copy.unlink()
    os.mkfifo(copy)


def a_folder(copy: Path) -> None:
    copy.unlink()
    copy.mkdir()


@pytest.mark.parametrize("fault", [away, shorter, partial, a_link, a_linked_folder, a_pipe, a_folder])
def test_what_does_not_stand_there_is_not_given(
    client: TestClient, copy: Path, fault: Callable[[Path], None]
) -> None:
    fault(copy)
    problem = check_problem(client.get(ADDRESS), 404)
    assert "North" in problem["remedy"] and str(copy.parents[4]) not in str(problem)


@pytest.mark.parametrize("state", [CopyState.WRITTEN, CopyState.DIFFERS, CopyState.MISSING])
def test_what_is_not_proven_is_not_given(
    client: TestClient, catalogue: Sessions, north: Path, state: CopyState
) -> None:
    with writing(catalogue) as session:
        for row in session.scalars(select(Copy).where(Copy.file_id == 1)):
            row.state = state
    check_problem(client.get(ADDRESS), 404)


def test_a_file_the_card_did_not_give(client: TestClient, catalogue: Sessions, north: Path) -> None:
    with writing(catalogue) as session:
        session.execute(update(File).where(File.id == 1).values(digest=None, problem="input/output error"))
    assert "input/output error" in check_problem(client.get(ADDRESS), 404)["detail"]
    check_problem(client.get("/api/v1/files/999/content"), 404)


@pytest.mark.parametrize("path", [b"../secret", b"a/../../secret", b"/etc/passwd", b"a//b", b"", b"a\0b"])
def test_a_path_that_leads_out_is_never_opened(tmp_path: Path, path: bytes) -> None:
    """Even if the catalogue itself were made to hold it."""
    (tmp_path / "secret").write_text("x")
    root = tmp_path / "drive"
    (root / "a").mkdir(parents=True)
    with pytest.raises(OSError):
        open_file_below(root, path)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        (b"C0001.MP4", "inline; filename=\"C0001.MP4\"; filename*=UTF-8''C0001.MP4"),
        ("Fähre.wav".encode(), "inline; filename=\"F_hre.wav\"; filename*=UTF-8''F%C3%A4hre.wav"),
        (b'x";\r\nSet-Cookie: a.html', 'attachment; filename="x___u000d_u000aSet-Cookie__a.html"; '),
        (b"\xff.mov", "inline; filename=\"_xff.mov\"; filename*=UTF-8''%5Cxff.mov"),
    ],
)
def test_a_hostile_name_stays_a_name(name: bytes, said: str) -> None:
    stored = Stored(1, b"reel/" + name, 1, "md5:0", 0, ())
    value = disposition_of(stored)
    assert value.startswith(said.rstrip("; ")) and value.isascii() and value.isprintable()


@pytest.mark.parametrize("name", [b"a.html", b"a.svg", b"a.xml", b"a.js", b"a", b"a.mp4.html", b".mp4"])
def test_nothing_from_a_card_is_a_page(name: bytes) -> None:
    assert Stored(1, b"reel/" + name, 1, "md5:0", 0, ()).media_type == OTHER_TYPE


# -- handles ---------------------------------------------------------------------------------------------


def open_below(folder: Path) -> int:
    """How many files below it this process has open."""
    return sum(file.path.startswith(str(folder)) for file in psutil.Process().open_files())


def test_no_handle_is_left(client: TestClient, north: Path) -> None:
    tag = get(client)[2]["etag"]
    for headers in ({}, {"Range": "bytes=9999-"}, {"If-None-Match": tag}, {"If-Match": '"x"'}):
        client.get(ADDRESS, headers=headers)
        client.head(ADDRESS, headers=headers)
    gc.collect()
    assert open_below(north) == 0


def test_a_caller_who_leaves_is_let_go(
    settings: Settings, catalogue: Sessions, catalogue_url: str, seeded: Seeded, tmp_path: Path
) -> None:
    """In the real service: 64 MiB are asked for, a little is read, and soon nothing is held any more."""
    put_copy(catalogue, tmp_path / "north", b"x" * (64 << 20))
    with running(settings, catalogue_url) as (process, address, _):
        host, port = address.removeprefix("http://").rstrip("/").split(":")
        fds = Path(f"/proc/{process.pid}/fd")

        def held() -> bool:
            for one in fds.iterdir():
                with suppress(FileNotFoundError):  # one that the service closes meanwhile
                    if os.readlink(one).startswith(str(tmp_path / "north")):  # noqa: PTH115
                        return True
            return False

        with socket.create_connection((host, int(port)), timeout=20) as connection:
            connection.sendall(f"GET {ADDRESS} HTTP/1.1\r\nHost: {host}:{port}\r\n\r\n".encode())
            assert connection.recv(4096).startswith(b"HTTP/1.1 200")
            assert held()
        end = time.monotonic() + 20
        while held():
            assert time.monotonic() < end, "the handle is still open"
            time.sleep(0.05)
        peak = Path(f"/proc/{process.pid}/status").read_text().split("VmHWM:")[1].split()[0]
        assert int(peak) < 400_000, "kB: the file is not read into memory"
