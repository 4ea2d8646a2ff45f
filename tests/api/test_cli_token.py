"""`rushlight token`: made, listed and taken back; the secret is printed once and nowhere else."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from api.cli.main import run
from api.tokens import TOKENS_NAME, Keys
from shared.settings import load_settings


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("RUSHLIGHT_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


def test_made_listed_and_taken_back(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["token", "tablet", "--scope", "log", "--scope", "offload"]) == 0
    made = capsys.readouterr()
    secret = made.out.strip()
    assert "only time" in made.err and secret not in made.err
    caller = Keys(load_settings()).find(secret.encode())
    assert caller is not None and (caller.name, sorted(caller.scopes)) == (
        "tablet",
        ["log", "offload", "read"],
    )
    assert run(["token", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == [{"name": "tablet", "scopes": ["log", "offload", "read"]}]
    assert secret not in (home / TOKENS_NAME).read_text()
    assert run(["token", "tablet", "--revoke"]) == 0
    assert Keys(load_settings()).find(secret.encode()) is None


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["tablet"], 2, "needs a scope"),
        (["tablet", "--scope", "all"], 2, "'all' is not one of"),
        (["--scope", "read"], 2, "whose token?"),
        (["a b", "--scope", "read"], 2, "no name for a token"),
        (["tablet", "--revoke"], 1, "there is no token tablet"),
    ],
)
def test_what_can_not_be_is_said(
    home: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], code: int, said: str
) -> None:
    assert run(["token", *arguments]) == code
    assert said in " ".join(capsys.readouterr().err.replace("│", " ").split())
    assert not (home / TOKENS_NAME).exists()
