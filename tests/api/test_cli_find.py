"""`find`: a query that begins with "-", the likeliest first, and why a clip was found."""

from __future__ import annotations

from pathlib import Path

import pytest

from shared.catalogue.channels import SetChannel, map_channels
from shared.catalogue.text import refresh_text
from shared.db import make_sessions, open_catalogue, writing
from shared.errors import EXIT_USAGE
from shared.vocabulary import Vocabulary
from tests.api.shell import Shell
from tests.factories import make_clip, make_day, make_entry, make_person, make_production, make_reel


@pytest.fixture
def shell(tmp_path: Path, vocabulary: Vocabulary) -> Shell:
    """Two clips: a rope, where Ada is heard on a channel, and a lantern that was circled."""
    engine = open_catalogue(f"sqlite:///{tmp_path / 'home' / 'catalogue.db'}")
    with writing(make_sessions(engine)) as session:
        production = make_production(session)
        make_person(session, production, "Ada Wren")
        reel = make_reel(session, production, day_id=make_day(session, production).id)
        rope, lantern = make_clip(session, reel, "rope.MP4"), make_clip(session, reel, "lantern.MP4")
        make_entry(session, rope, note="the rope, by the lantern", rating="ng")
        make_entry(session, lantern, note="Ropes \x1b[31m<b>[bold]x[/]", rating="circled")
        refresh_text(session, [rope.id, lantern.id], vocabulary)
        map_channels(session, production, [rope], [SetChannel(1, "", "Ada Wren")], vocabulary)
    engine.dispose()
    return Shell(tmp_path / "home")


def names(shell: Shell, *words: str) -> list[str]:
    return [clip["name"] for clip in shell.json("find", *words)["clips"]]


def test_a_dash_belongs_to_the_query(shell: Shell) -> None:
    """Also where the word begins like the option for the production."""
    assert names(shell, "person:ada", "wren") == ["rope"]
    assert names(shell, "-p", "the-chain-ferry", "-person:ada", "-wren") == ["lantern"]
    assert "-p" in shell.run("find", "-p", expect=EXIT_USAGE).stderr


def test_the_likeliest_first_and_why(shell: Shell) -> None:
    found = shell.json("find", "ropes", "--order", "best")
    assert [clip["name"] for clip in found["clips"]] == ["lantern", "rope"]
    assert found["clips"][1]["excerpts"] == [
        {
            "field": "note",
            "pieces": [
                {"text": "the ", "hit": False},
                {"text": "rope", "hit": True},
                {"text": ", by the lantern", "hit": False},
            ],
        }
    ]
    shown = shell.run("find", "ropes", "--why").stdout
    assert "note: the rope, by the lantern" in shown
    assert "note: Ropes  [31m<b>[bold]x[/]" in shown, "markup is text, and no control character gets out"
