"""One test for each threat that a service on a machine or in a network has to stand."""

from __future__ import annotations

import base64
import json
import socket
from collections.abc import Iterator
from pathlib import Path

import anyio
import pytest
from starlette.testclient import TestClient
from starlette.types import Message

from api import guard
from api.app import create_app
from api.guard import MOST_BODY_BYTES, is_loopback
from shared.db import Sessions
from shared.errors import UsageError
from shared.settings import Settings
from tests.api.catalogue import Seeded, client_of, make_settings
from tests.api.test_api_errors import check_problem

TOKEN = "a-long-random-text-ümlaut"
LAN = "http://192.0.2.7:8640"  # an address of TEST-NET-1, RFC 5737
NEW = {"name": "Low Tide", "zone": "Europe/London"}


@pytest.fixture
def lan_client(catalogue: Sessions, settings: Settings) -> Iterator[TestClient]:
    """A client of a service that listens on every address."""
    open_settings = settings.model_copy(update={"host": "0.0.0.0", "token": TOKEN})
    with client_of(open_settings, catalogue, base=LAN) as client:
        yield client


def bearer(token: str) -> dict[bytes, bytes]:
    return {b"Authorization": f"Bearer {token}".encode()}


# -- names: DNS rebinding ---------------------------------------------------------------------------


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "[::1]", "LOCALHOST.", "localhost:8640"])
def test_own_names_are_answered(client: TestClient, host: str) -> None:
    assert client.get("/health", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "host", ["ferry.example", "127.0.0.1.ferry.example", "192.0.2.7", "localhost.example:8640"]
)
def test_a_name_that_was_made_to_point_here_is_refused(client: TestClient, host: str) -> None:
    check_problem(client.get("/api/v1/productions", headers={"Host": host}), 421)


@pytest.mark.parametrize("host", ["", "a b", "localhost, ferry.example", "[::1", "x/../y", "localhost@x"])
def test_a_host_that_is_none_is_refused(client: TestClient, host: str) -> None:
    check_problem(client.get("/api/v1/productions", headers={"Host": host}), 400)


def test_in_the_network_an_address_is_own_and_a_strange_name_is_not(lan_client: TestClient) -> None:
    assert lan_client.get("/health").status_code == 200
    assert lan_client.get("/health", headers={"Host": socket.gethostname()}).status_code == 200
    check_problem(lan_client.get("/health", headers={"Host": "ferry.example"}), 421)


# -- the token --------------------------------------------------------------------------------------


@pytest.mark.parametrize("host", ["0.0.0.0", "", "::", "192.0.2.7", "ferry.local"])
@pytest.mark.parametrize("token", ["", "   "])
def test_a_network_without_a_token_is_not_served(
    tmp_path: Path, catalogue: Sessions, host: str, token: str
) -> None:
    with pytest.raises(UsageError, match="no token is set") as raised:
        create_app(make_settings(tmp_path, host=host, token=token), catalogue)
    assert raised.value.remedy is not None and "RUSHLIGHT_TOKEN" in raised.value.remedy


@pytest.mark.parametrize("host", ["127.0.0.1", "127.8.0.1", "::1", "localhost", "LocalHost"])
def test_loopback_needs_none(host: str) -> None:
    assert is_loopback(host)


@pytest.mark.parametrize(
    "address", ["/api/v1/productions", "/api/v1/openapi.json", "/days", "/static/rushlight.css", "/nothing"]
)
def test_without_the_token_nothing_is_told(lan_client: TestClient, address: str) -> None:
    answer = lan_client.get(address)
    check_problem(answer, 401)
    schemes = [value.split()[0] for value in answer.headers.get_list("www-authenticate")]
    assert schemes == ["Bearer", "Basic"]


@pytest.mark.parametrize("wrong", ["", TOKEN[:-1], TOKEN + "x", TOKEN.upper(), "a" * 5000])
def test_a_wrong_token_is_refused(lan_client: TestClient, wrong: str) -> None:
    check_problem(lan_client.get("/api/v1/productions", headers=bearer(wrong)), 401)


def test_the_right_token_is_let_in(lan_client: TestClient) -> None:
    assert lan_client.get("/api/v1/productions", headers=bearer(TOKEN)).status_code == 200
    assert lan_client.post("/api/v1/productions", headers=bearer(TOKEN), json=NEW).status_code == 201


def test_a_browser_sends_it_as_a_password(lan_client: TestClient) -> None:
    right = base64.b64encode(f"anybody:{TOKEN}".encode()).decode()
    wrong = base64.b64encode(f"{TOKEN}:".encode()).decode()
    assert lan_client.get("/days", headers={"Authorization": f"Basic {right}"}).status_code == 200
    for bad in (wrong, "%%%", ""):
        check_problem(lan_client.get("/days", headers={"Authorization": f"Basic {bad}"}), 401)


def test_a_probe_needs_no_token(lan_client: TestClient) -> None:
    assert lan_client.get("/health").json() == {"status": "ok"}
    assert lan_client.get("/ready").status_code == 200


# -- pages of other sites ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://ferry.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:3000"},
        {"Origin": "http://127.0.0.1"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_a_page_of_another_site_changes_nothing(client: TestClient, headers: dict[str, str]) -> None:
    check_problem(client.post("/api/v1/productions", json=NEW, headers=headers), 403)
    assert client.get("/api/v1/productions").json()["items"] == []


@pytest.mark.parametrize(
    "headers",
    [{}, {"Origin": "http://127.0.0.1:8640", "Sec-Fetch-Site": "same-origin"}, {"Sec-Fetch-Site": "none"}],
)
def test_own_pages_and_programs_may(client: TestClient, headers: dict[str, str]) -> None:
    assert client.post("/api/v1/productions", json=NEW, headers=headers).status_code == 201


@pytest.mark.parametrize(
    "media_type", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", ""]
)
def test_what_a_form_can_send_is_refused(client: TestClient, media_type: str) -> None:
    answer = client.post("/api/v1/productions", content=b"{}", headers={"Content-Type": media_type})
    check_problem(answer, 415)
    assert "application/json" in answer.headers["accept"]


def test_no_other_origin_may_read(client: TestClient) -> None:
    origin = {"Origin": "http://ferry.example"}
    answer = client.get("/api/v1/productions", headers=origin)
    asked = client.options("/api/v1/productions", headers={**origin, "Access-Control-Request-Method": "POST"})
    for headers in (answer.headers, asked.headers):
        assert not [name for name in headers if name.startswith("access-control-")]


# -- size -------------------------------------------------------------------------------------------


def test_a_body_that_says_it_is_too_long_is_not_read(client: TestClient) -> None:
    answer = client.post("/api/v1/productions", content=b" " * (MOST_BODY_BYTES + 1), headers=_JSON)
    check_problem(answer, 413)


def test_a_body_that_does_not_say_so_is_cut_off(client: TestClient) -> None:
    given = 0

    def endless() -> Iterator[bytes]:
        nonlocal given
        while True:
            given += 65_536
            yield b" " * 65_536

    check_problem(client.post("/api/v1/productions", content=_first(endless(), 400), headers=_JSON), 413)


def test_the_longest_body_is_taken(client: TestClient) -> None:
    body = b'{"name": "x", "zone": "Europe/London"}'
    answer = client.post("/api/v1/productions", content=body.rjust(MOST_BODY_BYTES), headers=_JSON)
    assert answer.status_code == 201


_JSON = {"Content-Type": "application/json"}


def _first(parts: Iterator[bytes], count: int) -> Iterator[bytes]:
    for _ in range(count):
        yield next(parts)


# -- answers ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("address", ["/days", "/api/v1/clips", "/nothing", "/api/v1/clips?q=kindd:x"])
def test_every_answer_has_the_headers(client: TestClient, seeded: Seeded, address: str) -> None:
    headers = client.get(address).headers
    assert headers["content-security-policy"] == (
        "default-src 'none'; img-src 'self'; media-src 'self'; style-src 'self'; script-src 'self'; "
        "connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
    )
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cross-origin-resource-policy"] == "same-origin"
    assert headers["cache-control"] == "no-store"


def test_nothing_can_be_erased(client: TestClient) -> None:
    """No route erases media, and none is called as if it did."""
    for path, methods in client.get("/api/v1/openapi.json").json()["paths"].items():
        # Marks that people made; the journal brings them back.
        noun = path.removeprefix("/api/v1/").removesuffix("/{id}")
        marks = {"moments", "wishes", "narration", "answers", "releases", "searches", "clips/{id}/transcript"}
        marks |= {"outlines", "outline-items", "outline-versions"}
        assert "delete" not in methods or noun in marks, path
        assert not {"format", "erase", "wipe", "delete"} & set(path.strip("/").split("/"))


def test_there_is_no_web_socket(client: TestClient) -> None:
    from starlette.websockets import WebSocketDisconnect

    with pytest.raises(WebSocketDisconnect), client.websocket_connect("/api/v1/productions"):
        pass


def test_a_body_that_never_ends_is_given_up(
    client: TestClient, seeded: Seeded, monkeypatch: pytest.MonkeyPatch
) -> None:
    """RFC 9110, 15.5.9: 408. Half of a body is no edit: nothing is written."""
    monkeypatch.setattr(guard, "BODY_SECONDS", 0.2)
    sent: list[Message] = []
    parts = [{"type": "http.request", "body": b'{"goal": "half of', "more_body": True}]

    async def receive() -> Message:
        if parts:
            return parts.pop()
        await anyio.sleep_forever()
        raise AssertionError

    async def send(message: Message) -> None:
        sent.append(message)

    headers = [(b"host", b"127.0.0.1"), (b"content-type", b"application/json"), (b"if-match", b"*")]
    scope = {
        "type": "http",
        "method": "PUT",
        "path": "/api/v1/days/1",
        "raw_path": b"/api/v1/days/1",
        "query_string": b"",
        "headers": headers,
        "client": ("127.0.0.1", 5),
        "scheme": "http",
        "http_version": "1.1",
        "server": ("127.0.0.1", 8640),
        "root_path": "",
        "asgi": {"version": "3.0"},
    }
    before = client.get("/api/v1/days/1").json()
    anyio.run(client.app, scope, receive, send)
    assert sent[0]["status"] == 408
    assert json.loads(sent[1]["body"])["title"] == "the body did not come to its end"
    assert client.get("/api/v1/days/1").json() == before
