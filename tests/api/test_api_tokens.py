"""Who is let in from the network, to what and how often."""

from __future__ import annotations

import hashlib
import hmac
import json
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from api.app import create_app
from api.guard import WRONG_TOKENS
from api.limits import MOST_CALLERS, Limit, caller_address
from api.tokens import TOKENS_NAME, Keys, Scope, make_token, read_tokens, revoke_token, scope_needed
from shared.db import Sessions
from shared.errors import ConflictError, NotFoundError, UsageError
from shared.settings import Settings
from tests.api.catalogue import Seeded, client_of
from tests.api.test_api_errors import check_problem

LAN = "http://192.0.2.7:8640"  # TEST-NET-1, RFC 5737
NEW = {"name": "Low Tide", "zone": "Europe/London"}


@pytest.fixture
def lan(settings: Settings) -> Settings:
    return settings.model_copy(update={"host": "0.0.0.0"})


@pytest.fixture
def lan_client(lan: Settings, catalogue: Sessions, seeded: Seeded) -> Iterator[TestClient]:
    make_token(lan.home, "first", [Scope.READ])
    with client_of(lan, catalogue, base=LAN) as client:
        yield client


def bearer(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}


def test_a_token_is_shown_once_and_kept_as_a_hash(tmp_path: Path) -> None:
    secret = make_token(tmp_path / "home", "laptop", [Scope.LOG])
    path = tmp_path / "home" / TOKENS_NAME
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert len(secret) >= 43, "32 random bytes"
    assert secret not in path.read_text()
    (row,) = json.loads(path.read_text())["tokens"]
    assert row["sha256"] == hashlib.sha256(secret.encode()).hexdigest()
    (token,) = read_tokens(tmp_path / "home")
    assert token.name == "laptop" and token.scopes == {Scope.READ, Scope.LOG}
    assert [one.name for one in (tmp_path / "home").iterdir()] == [TOKENS_NAME]


def test_names_are_unique_and_plain(tmp_path: Path) -> None:
    make_token(tmp_path, "laptop", [Scope.READ])
    with pytest.raises(ConflictError, match="laptop already"):
        make_token(tmp_path, "laptop", [Scope.READ])
    for name in ("", "a b", "../x", "x" * 51, "ö", "-x"):
        with pytest.raises(UsageError, match="no name"):
            make_token(tmp_path, name, [Scope.READ])
    with pytest.raises(UsageError, match="needs a scope"):
        make_token(tmp_path, "other", [])
    with pytest.raises(NotFoundError, match="laptop"):
        revoke_token(tmp_path, "other")


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"tokens": [{"name": "x"}]}', "\xff", '{"tokens": 3}'])
def test_a_file_that_is_none_lets_nobody_in(
    lan_client: TestClient, lan: Settings, catalogue: Sessions, text: str
) -> None:
    (lan.home / TOKENS_NAME).write_bytes(text.encode("latin-1"))
    check_problem(lan_client.get("/api/v1/clips", headers=bearer("x")), 503)
    with pytest.raises(UsageError, match="no list of tokens"):
        create_app(lan, catalogue)


def test_a_file_that_others_may_read_is_refused(lan: Settings, catalogue: Sessions) -> None:
    make_token(lan.home, "laptop", [Scope.READ])
    (lan.home / TOKENS_NAME).chmod(0o640)
    with pytest.raises(UsageError, match="others") as caught:
        create_app(lan, catalogue)
    assert "chmod 600" in str(caught.value.remedy)


def test_the_network_is_refused_until_there_is_a_token(lan: Settings, catalogue: Sessions) -> None:
    with pytest.raises(UsageError) as caught:
        create_app(lan, catalogue)
    assert "rushlight token NAME --scope read" in str(caught.value.remedy)
    make_token(lan.home, "laptop", [Scope.READ])
    create_app(lan, catalogue)
    revoke_token(lan.home, "laptop")
    with pytest.raises(UsageError):
        create_app(lan, catalogue)


def test_each_scope_opens_its_own_doors(lan_client: TestClient, lan: Settings) -> None:
    may = {scope: bearer(make_token(lan.home, scope.value, [scope])) for scope in Scope}
    log, works = "/api/v1/clips/1/log", {"card": "3f9a0c1d2b4e5f60", "to": ["North"]}
    for scope, headers in may.items():
        assert lan_client.get("/api/v1/clips", headers=headers).status_code == 200
        changed = lan_client.patch(log, json={"note": "x"}, headers={**headers, "If-Match": "*"})
        asked = lan_client.post("/api/v1/offloads", json=works, headers=headers)
        over = lan_client.post("/api/v1/handovers", json={}, headers=headers)
        assert changed.status_code == (200 if scope is Scope.LOG else 403)
        assert asked.status_code == (404 if scope is Scope.OFFLOAD else 403)  # 404: there is no such card
        assert over.status_code == (202 if scope is Scope.OFFLOAD else 403)
        if scope is Scope.READ:  # RFC 6750, 3.1
            assert 'error="insufficient_scope", scope="log"' in changed.headers["www-authenticate"]


def test_a_route_that_nobody_thought_of_is_not_open_to_readers() -> None:
    assert scope_needed("DELETE", "/api/v1/anything") is Scope.LOG
    assert scope_needed("POST", "/api/v1/offloads/7/again") is Scope.OFFLOAD
    assert scope_needed("POST", "/api/v1/offloadsx") is Scope.LOG


def test_a_token_taken_back_is_refused_at_once(lan_client: TestClient, lan: Settings) -> None:
    secret = make_token(lan.home, "tablet", [Scope.READ])
    assert lan_client.get("/api/v1/clips", headers=bearer(secret)).status_code == 200
    revoke_token(lan.home, "tablet")
    check_problem(lan_client.get("/api/v1/clips", headers=bearer(secret)), 401)


def test_every_token_is_compared_in_constant_time(lan: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    """All are compared, by `hmac.compare_digest` and as digests, whichever fits and if none does."""
    secrets = [make_token(lan.home, f"t{number}", [Scope.READ]) for number in range(3)]
    compared: list[tuple[str, str]] = []
    real = hmac.compare_digest

    def compare(one: str, other: str) -> bool:
        compared.append((one, other))
        return real(one, other)

    monkeypatch.setattr(hmac, "compare_digest", compare)
    keys = Keys(lan)
    for given in (secrets[0].encode(), secrets[2].encode(), b"wrong", b"\xff" * 5000):
        compared.clear()
        keys.find(given)
        assert len(compared) == 3 and {len(one) for pair in compared for one in pair} == {64}


# -- limits ----------------------------------------------------------------------------------------------


def test_guessing_is_slowed_down(lan_client: TestClient, lan: Settings) -> None:
    right = bearer(make_token(lan.home, "tablet", [Scope.READ]))
    for _ in range(WRONG_TOKENS):
        check_problem(lan_client.get("/api/v1/clips", headers=bearer("guess")), 401)
    answer = lan_client.get("/api/v1/clips", headers=bearer("guess"))
    check_problem(answer, 429)
    assert 1 <= int(answer.headers["retry-after"]) <= 3
    # Also the right one, else the answer would say which it is.
    check_problem(lan_client.get("/api/v1/clips", headers=right), 429)
    assert lan_client.get("/health").status_code == 200


def test_a_caller_without_end_has_to_wait(lan: Settings, catalogue: Sessions) -> None:
    headers = bearer(make_token(lan.home, "tablet", [Scope.READ]))
    with client_of(lan.model_copy(update={"calls_per_second": 1}), catalogue, base=LAN) as client:
        statuses = [client.get("/api/v1/destinations", headers=headers).status_code for _ in range(14)]
        answer = client.get("/api/v1/destinations", headers=headers)
    assert statuses[:10] == [200] * 10 and 429 in statuses[10:]
    check_problem(answer, 429)
    assert answer.headers["retry-after"] == "1"


def test_a_bucket_fills_again_and_callers_do_not_share_it() -> None:
    now = 0.0
    limit = Limit(2.0, 3.0, lambda: now)
    assert [limit.take("a") for _ in range(4)] == [0, 0, 0, 1]
    assert limit.take("b") == 0
    now = 0.5
    assert [limit.take("a"), limit.take("a")] == [0, 1]
    now = 100.0
    assert [limit.take("a") for _ in range(4)] == [0, 0, 0, 1], "never more than the burst"


def test_callers_without_end_take_no_memory_without_end() -> None:
    limit = Limit(1.0, 1.0, lambda: 0.0)
    for number in range(MOST_CALLERS + 50):
        limit.take(str(number))
    assert len(limit._buckets) == MOST_CALLERS


@pytest.mark.parametrize(
    ("given", "address"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("testclient", "testclient"),
    ],
)
def test_one_host_is_one_caller(given: str, address: str) -> None:
    assert caller_address((given, 1)) == address
