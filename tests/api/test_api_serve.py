"""The real server: its address, its end, and many callers at once."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import httpx2
import pytest

from api.serve import open_socket, serve
from shared.db import Sessions
from shared.errors import UsageError
from shared.settings import Settings
from tests.api.catalogue import Seeded, make_settings

PROGRAM = """
from shared.db import make_sessions, open_catalogue
from shared.settings import load_settings
from api.serve import serve
settings = load_settings()
engine = open_catalogue(settings.database_url)
serve(settings, make_sessions(engine), say=lambda text: print(text, flush=True))
engine.dispose()
"""


@contextmanager
def running(settings: Settings, url: str, **more: str) -> Iterator[tuple[subprocess.Popen[str], str, str]]:
    """The service in a process of its own, its address, and what it says of the token."""
    environment = os.environ | {
        "RUSHLIGHT_HOME": str(settings.home),
        "RUSHLIGHT_DATABASE": url,
        "RUSHLIGHT_PORT": "0",
        **more,
    }
    process = subprocess.Popen(
        [sys.executable, "-W", "error::ResourceWarning", "-c", PROGRAM],
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        found = re.search(r"http://\S+/", line)
        assert found is not None, line + (process.communicate()[1] if process.poll() is not None else "")
        yield process, found[0], process.stdout.readline()
    finally:
        process.kill()
        process.communicate()


def test_from_start_to_end(settings: Settings, catalogue_url: str, seeded: Seeded) -> None:
    with running(settings, catalogue_url) as (process, address, rule):
        with httpx2.Client(base_url=address) as client:
            assert client.get("/ready").json()["status"] == "ready"
            clips = client.get("/api/v1/clips", params={"q": "kind:interview"}).json()
            assert clips["total"] == 2
            still = client.get(clips["items"][0]["stills"][0]["href"])
            assert still.headers["content-type"] == "image/jpeg"
            assert "The Chain Ferry" in client.get("/days").text
            changed = client.patch("/api/v1/clips/1/log", json={"note": "x"}, headers={"If-Match": '"1"'})
            assert changed.json()["note"] == "x"
            assert "server" not in still.headers
            assert client.get("/health", headers={"Host": "ferry.example"}).status_code == 421
        process.send_signal(signal.SIGTERM)
        out, err = process.communicate(timeout=20)
    assert process.returncode == 0, err
    assert out == "Stopped.\n" and err == ""
    assert "Only this machine reaches it" in rule


def test_an_answer_under_way_is_finished(settings: Settings, catalogue_url: str, seeded: Seeded) -> None:
    """Told to stop while a body is still being sent, the service takes it and answers."""
    with running(settings, catalogue_url) as (process, address, _):
        host, port = re.findall(r"//(.+):(\d+)/", address)[0]
        body = b'{"name": "Low Tide", "zone": "Europe/London"}'
        with socket.create_connection((host, int(port)), timeout=20) as connection:
            head = (
                f"POST /api/v1/productions HTTP/1.1\r\nHost: {host}:{port}\r\n"
                f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
            )
            connection.sendall(head.encode() + body[:10])
            time.sleep(0.3)
            process.send_signal(signal.SIGINT)
            time.sleep(0.3)
            connection.sendall(body[10:])
            answer = connection.recv(65536)
        assert answer.startswith(b"HTTP/1.1 201 ")
        process.communicate(timeout=20)
    assert process.returncode == 0


def test_the_token_over_the_wire(settings: Settings, catalogue_url: str, seeded: Seeded) -> None:
    with running(settings, catalogue_url, RUSHLIGHT_HOST="0.0.0.0", RUSHLIGHT_TOKEN="a-long-text") as (
        process,
        address,
        rule,
    ):
        port = address.rstrip("/").rpartition(":")[2]
        base = f"http://127.0.0.1:{port}"
        assert httpx2.get(f"{base}/api/v1/clips").status_code == 401
        with_token = {"Authorization": "Bearer a-long-text"}
        assert httpx2.get(f"{base}/api/v1/clips", headers=with_token).status_code == 200
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=20)
    assert "every request needs a token" in rule


def test_it_does_not_start_open_to_the_network(tmp_path: Path, catalogue: Sessions) -> None:
    said: list[str] = []
    with pytest.raises(UsageError, match="no token is set"):
        serve(make_settings(tmp_path, host="0.0.0.0", port=0), catalogue, say=said.append)
    assert said == []


def test_an_address_that_is_taken_is_said(tmp_path: Path, catalogue: Sessions) -> None:
    with open_socket("127.0.0.1", 0) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(UsageError, match=f"port {port}") as raised:
            serve(make_settings(tmp_path, port=port), catalogue)
        assert raised.value.remedy is not None and "RUSHLIGHT_PORT" in raised.value.remedy
    with pytest.raises(UsageError, match="can't listen"):
        open_socket("no.such.name.invalid", 0)


def test_many_callers_at_once_wait_for_nobody(settings: Settings, catalogue_url: str, seeded: Seeded) -> None:
    """More callers than the server has threads or the catalogue connections, reading and writing.

    Were a connection or the write lock held while a request waits for a thread, they would stand still
    until the 30 s after which the database gives up.
    """
    with (
        running(settings, catalogue_url) as (_, address, _),
        httpx2.Client(base_url=address, timeout=60, limits=httpx2.Limits(max_connections=90)) as client,
    ):

        def call(number: int) -> int:
            if number % 3:
                return client.get("/api/v1/clips").status_code
            body = {"name": f"Film {number}", "zone": "Europe/London"}
            return client.post("/api/v1/productions", json=body).status_code

        client.get("/ready")
        begun = time.monotonic()
        with ThreadPoolExecutor(90) as pool:
            statuses = list(pool.map(call, range(180)))
        took = time.monotonic() - begun
    # The clips are those of the latest production: an empty list, or the seeded one's.
    assert set(statuses) == {200, 201}
    assert statuses.count(201) == 60
    assert took < 25, f"180 calls took {took:.1f} s"
