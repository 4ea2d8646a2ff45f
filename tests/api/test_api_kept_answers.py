"""A page of clips is kept while it is true: whatever is committed, by whomever, the next answer has it."""

from __future__ import annotations

import subprocess
import sys
from itertools import count

import pytest
from sqlalchemy import text
from starlette.testclient import TestClient

from api.answers import Answers
from shared.db import Sessions, make_engine, reading, writing
from tests.api.catalogue import Seeded

_NUMBERS = count()
_ASKED = "/api/v1/clips?limit=20"

# One column of every table that a page of clips shows something of.
CHANGES = [
    "UPDATE clip SET lens_assumed = NOT lens_assumed",
    "UPDATE clip SET capture_num = 100, capture_den = 1 WHERE media = 'video'",
    "UPDATE clip SET shot_read_as = 'zone of another'",
    "UPDATE log_entry SET updated_by = 'somebody else'",
    "UPDATE camera SET letter = letter || 'X'",
    "UPDATE lens SET name = name || ' II'",
    "UPDATE shooting_day SET date = '2031-01-02' WHERE number = 1",
    "UPDATE reel SET name = name || '-b'",
    "UPDATE tag SET name = name || '!'",
    "UPDATE person SET name = name || ' the Younger'",
    "UPDATE still SET width = width + 1",
    "UPDATE finding SET dismissed = 'seen' WHERE dismissed IS NULL",
    "DELETE FROM entry_tag",
]


def fresh(client: TestClient) -> bytes:
    """The same page under an address nobody has asked for: nothing kept can answer it."""
    answer = client.get(f"{_ASKED}&unknown={next(_NUMBERS)}")
    assert answer.status_code == 200
    return answer.content


def kept(client: TestClient) -> bytes:
    return client.get(_ASKED).content


@pytest.mark.parametrize("change", CHANGES)
def test_the_next_answer_has_what_was_committed(
    client: TestClient, seeded: Seeded, catalogue: Sessions, change: str
) -> None:
    before = kept(client)
    assert kept(client) == before == fresh(client)
    with writing(catalogue) as session:
        changed = session.execute(text(change)).rowcount  # type: ignore[attr-defined]
    assert changed > 0
    after = kept(client)
    assert after == fresh(client)
    assert after != before, "the change is one that shows"


def test_what_is_not_committed_is_not_shown(client: TestClient, seeded: Seeded, catalogue: Sessions) -> None:
    before = kept(client)
    with reading(catalogue) as session:
        session.connection(execution_options={"writes": True})
        session.execute(text("UPDATE clip SET shot_source = 'never'"))
        assert kept(client) == before
    assert kept(client) == before


def test_another_process_changes_it(client: TestClient, seeded: Seeded, catalogue: Sessions) -> None:
    before = kept(client)
    file = str(catalogue.kw["bind"].url.database)
    script = "import sqlite3, sys; c = sqlite3.connect(sys.argv[1]); c.execute('UPDATE clip SET frames = 7')"
    subprocess.run([sys.executable, "-c", script + "; c.commit()", file], check=True)
    assert kept(client) == fresh(client) != before


def test_a_question_that_can_not_be_answered_stays_so(client: TestClient, seeded: Seeded) -> None:
    for _ in range(2):
        assert client.get("/api/v1/clips?q=kind:nope").status_code == 422
        assert client.get("/api/v1/clips?fields=nope").status_code == 422
        assert client.get("/api/v1/clips?production=nope").status_code == 404


def test_a_list_says_of_a_clip_what_its_own_page_says(client: TestClient, seeded: Seeded) -> None:
    for item in client.get("/api/v1/clips?limit=500").json()["items"]:
        alone = client.get(f"/api/v1/clips/{item['id']}").json()
        assert item.pop("excerpts") == []
        assert item == {name: alone[name] for name in item}


def test_what_was_read_before_a_change_is_not_kept_after_it(catalogue: Sessions, seeded: Seeded) -> None:
    answers = Answers(catalogue)
    early, nothing = answers.find("a")
    assert nothing is None
    with writing(catalogue) as session:
        session.execute(text("UPDATE clip SET frames = 8"))
    answers.find("b")
    answers.keep(early, "a", b"old")
    assert answers.find("a")[1] is None


def test_no_more_is_kept_than_there_is_room_for(catalogue: Sessions, seeded: Seeded) -> None:
    answers = Answers(catalogue, most_bytes=10)
    now, _ = answers.find("")
    for question, body in (
        ("a", b"1234"),
        ("b", b"5678"),
        ("a", b"4321"),
        ("c", b"90"),
        ("d", b"01234567890"),
    ):
        answers.keep(now, question, body)
    assert [answers.find(one)[1] for one in "abcd"] == [b"4321", b"5678", b"90", None]
    answers.find("a")
    answers.keep(now, "e", b"abcde")
    assert [answers.find(one)[1] for one in "abce"] == [b"4321", None, None, b"abcde"]


def test_a_catalogue_in_memory_keeps_nothing() -> None:
    from shared.standing import Standing

    assert Standing(make_engine("sqlite://")).read() is None
