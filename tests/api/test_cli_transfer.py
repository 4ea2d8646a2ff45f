"""`export`, `import` and `backup` at the command line: what they say, and with which exit code they end."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from api.cli.main import run
from shared.db import make_sessions, open_catalogue, writing
from shared.errors import EXIT_DONE, EXIT_ERROR, EXIT_PARTIAL, EXIT_USAGE
from tests.schema import fill


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    home = tmp_path / "house"
    home.mkdir()
    monkeypatch.setenv("RUSHLIGHT_HOME", str(home))
    engine = open_catalogue(f"sqlite:///{home / 'catalogue.db'}")
    with writing(make_sessions(engine)) as session:
        fill(session)
    engine.dispose()
    return home


def test_a_log_goes_out_is_edited_and_comes_in(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = tmp_path / "log.jsonl"
    assert run(["export", str(table), "media:video", "-tag:none"]) == EXIT_USAGE  # there is no such tag
    assert not table.exists()
    assert run(["export", str(table), "media:video"]) == EXIT_DONE
    assert run(["export", str(table)]) == EXIT_ERROR  # nothing is written over
    lines = [json.loads(line) for line in table.read_text().splitlines()]
    assert [(line["kind"], line.get("in")) for line in lines if "kind" in line] == [("interview", None)]
    lines[0] |= {"place": "the quay", "kind": "b-roll"}
    table.write_text("\n".join(map(json.dumps, [*lines, lines[0] | {"hash": "xxh128:" + "f" * 32}])))
    capsys.readouterr()

    assert run(["import", str(table), "--dry-run"]) == EXIT_PARTIAL
    said = capsys.readouterr().out
    assert "the quay" in said and "no clip of this production" in said and "1 conflicts" in said
    assert run(["import", str(table), "--json"]) == EXIT_PARTIAL
    told = json.loads(capsys.readouterr().out)
    assert [(one["field"], one["file"]) for one in told["changes"]] == [("place", "the quay")]
    assert [one["field"] for one in told["conflicts"]] == ["kind"] and len(told["unknown"]) == 1

    assert run(["undo", str(told["change"])]) == EXIT_DONE
    capsys.readouterr()
    assert run(["find", "quay", "--json"]) == EXIT_DONE
    assert json.loads(capsys.readouterr().out)["total"] == 0


def test_a_backup_is_made_once_and_opened_as_a_home(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    safe = tmp_path / "safe"
    assert run(["backup", str(safe)]) == EXIT_PARTIAL  # the still of the catalogue is not there, and is named
    assert "not there: the still" in capsys.readouterr().err
    assert run(["backup", str(safe)]) == EXIT_ERROR
    capsys.readouterr()
    monkeypatch.setenv("RUSHLIGHT_HOME", str(safe))
    assert run(["find", "media:video", "--json"]) == EXIT_DONE
    assert [clip["name"] for clip in json.loads(capsys.readouterr().out)["clips"]] == ["CLIP/Fähre 🎬"]
