"""Pages of what a search finds, the counts beside it, and the words it goes by."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from sqlalchemy import Connection, Engine, event, select, text

from shared.catalogue.facets import FacetValue, facets
from shared.catalogue.search import Cursor, find_clips
from shared.catalogue.text import refresh_text
from shared.errors import UsageError
from shared.models import Clip, ClipText
from tests.factories import (
    make_camera,
    make_clip,
    make_day,
    make_entry,
    make_finding,
    make_lens,
    make_person,
    make_reel,
    make_still,
    make_tag,
)
from tests.shared.shoot import Shoot, at

# -- pages ------------------------------------------------------------------------------------------


def test_pages_join_to_the_whole_list(shoot: Shoot) -> None:
    """With equal times and unknown ones, for every size of page."""
    reel = make_reel(shoot.session, shoot.production)
    for _ in range(3):
        make_clip(shoot.session, reel, shot_at=at(2, 9))
        make_clip(shoot.session, reel, shot_at=None)
    whole = find_clips(shoot.session, shoot.production, "", shoot.vocabulary)
    assert [clip.shot_at is None for clip in whole.clips] == [False] * 7 + [True] * 4
    assert whole.next is None
    for limit in range(1, 13):
        pages: list[Clip] = []
        cursor = None
        for _ in range(12):  # never more pages than clips
            page = find_clips(
                shoot.session, shoot.production, "", shoot.vocabulary, limit=limit, after=cursor
            )
            assert page.total == 11
            assert 0 < len(page.clips) <= limit
            pages.extend(page.clips)
            if page.next is None:
                break
            cursor = Cursor.parse(page.next)
        assert tuple(pages) == whole.clips


@pytest.mark.parametrize("shot_at", [None, at(2, 9), dt.datetime(1904, 1, 1, 0, 0, 0, 1, tzinfo=dt.UTC)])
def test_cursor_and_text_agree(shot_at: dt.datetime | None) -> None:
    assert Cursor.parse(str(Cursor(shot_at, 12))) == Cursor(shot_at, 12)


@pytest.mark.parametrize(
    "bad", ["", "12", "x.1", "none.", "999999999999999999.1", "1.-1", "none.1;", "none.١"]
)
def test_a_forged_cursor_is_refused(bad: str) -> None:
    with pytest.raises(UsageError):
        Cursor.parse(bad)


def test_a_page_holds_something(shoot: Shoot) -> None:
    with pytest.raises(UsageError):
        find_clips(shoot.session, shoot.production, "", shoot.vocabulary, limit=0)


@contextmanager
def counted(engine: Engine | Connection) -> Iterator[list[str]]:
    statements: list[str] = []

    def note(_connection: object, _cursor: object, statement: str, *_rest: object) -> None:
        statements.append(statement)

    event.listen(engine, "before_cursor_execute", note)
    yield statements
    event.remove(engine, "before_cursor_execute", note)


def _statements(shoot: Shoot) -> int:
    shoot.session.expire_all()
    assert shoot.production.id, "read again, before counting"
    with counted(shoot.session.get_bind()) as statements:
        page = find_clips(shoot.session, shoot.production, "", shoot.vocabulary, limit=1000)
        for clip in page.clips:
            entry = page.entries.get(clip.id)
            shown = [
                clip.reel.name,
                clip.camera and clip.camera.letter,
                clip.day and clip.day.number,
                clip.lens,
            ]
            shown += [tag.name for tag in entry.tags] + [p.name for p in entry.people] if entry else []
            shown.append(page.still_counts[clip.id])
    return len(statements)


def test_a_page_costs_the_same_statements_however_long(shoot: Shoot) -> None:
    short = _statements(shoot)
    for number in range(40):
        camera = make_camera(shoot.session, shoot.production, letter=f"X{number}")
        day = make_day(shoot.session, shoot.production)
        reel = make_reel(shoot.session, shoot.production, camera_id=camera.id, day_id=day.id)
        clip = make_clip(
            shoot.session, reel, lens_id=make_lens(shoot.session, shoot.production, f"{number} mm").id
        )
        tag = make_tag(shoot.session, shoot.production, f"tag {number}")
        person = make_person(shoot.session, shoot.production, f"Person {number}")
        make_entry(shoot.session, clip, tags=[tag], people=[person])
        make_still(shoot.session, clip)
    assert _statements(shoot) == short <= 8


def test_what_a_page_shows(shoot: Shoot) -> None:
    page = find_clips(shoot.session, shoot.production, "", shoot.vocabulary)
    winch, pilot = page.clips[0], page.clips[-1]
    assert [tag.name for tag in page.entries[winch.id].tags] == ["Rope & chain", "ferry"]
    assert pilot.id not in page.entries
    assert (page.still_counts[winch.id], page.still_counts[pilot.id]) == (2, 0)


# -- facets -----------------------------------------------------------------------------------------


def test_facets_count_what_is_found(shoot: Shoot) -> None:
    found = facets(shoot.session, shoot.production, "", shoot.vocabulary)
    assert found["day"] == [FacetValue("1", "2026-05-01", 2), FacetValue("2", "2026-05-02", 2)]
    assert found["camera"] == [
        FacetValue("A", "Main body", 2), FacetValue("D", "Drone", 1), FacetValue("S", "Recorder", 1)
    ]  # fmt: skip
    assert found["tag"] == [FacetValue("Rope & chain", "Rope & chain", 1), FacetValue("ferry", "ferry", 2)]
    assert [(value.value, value.count) for value in found["rating"]] == [
        ("ng", 1), ("alt", 1), ("good", 1), ("circled", 1)
    ]  # fmt: skip
    assert found["has"] == [
        FacetValue("log", "log", 4), FacetValue("finding", "finding", 1), FacetValue("still", "still", 1)
    ]  # fmt: skip
    assert found["finding"] == [FacetValue("no-signal", "no-signal", 1)]
    assert found["media"] == [FacetValue("video", "video", 4), FacetValue("audio", "audio", 1)]
    assert "direction" not in found


@pytest.mark.parametrize(
    "query",
    [
        "",
        "ferry",
        "-winch",
        "tag:ferry",
        "-tag:ferry",
        "person:ada",
        "has:finding",
        "kind:interview",
        "day:2",
    ],
)
def test_each_count_is_what_its_value_finds(shoot: Shoot, query: str) -> None:
    """The count beside a value is the number of clips found when the value is added to the query."""
    for name, values in facets(shoot.session, shoot.production, query, shoot.vocabulary).items():
        for value in values:
            narrowed = f'{query} {name}:"{value.value}"'
            assert len(shoot.find(narrowed).split()) == value.count, narrowed


def test_a_clip_with_two_findings_of_a_kind_counts_once(shoot: Shoot) -> None:
    clip = shoot.session.scalars(select(Clip).where(Clip.name == "CLIP/C0002")).one()
    make_finding(shoot.session, clip, code="no-signal")
    make_finding(shoot.session, None, file_id=clip.files[0].file_id, code="no-signal")
    found = facets(shoot.session, shoot.production, "", shoot.vocabulary)
    assert found["finding"] == [FacetValue("no-signal", "no-signal", 1)]


def test_facets_of_nothing(shoot: Shoot) -> None:
    assert facets(shoot.session, shoot.production, "nothinglikethis", shoot.vocabulary) == {}


# -- words kept -------------------------------------------------------------------------------------


def test_refreshing_writes_only_what_changed(shoot: Shoot) -> None:
    assert refresh_text(shoot.session, shoot.names, shoot.vocabulary) == 0
    clip = shoot.session.get_one(Clip, next(iter(shoot.names)))
    clip.lens_id = None
    assert refresh_text(shoot.session, shoot.names, shoot.vocabulary) == 1
    assert shoot.find('"35 mm"') == ""
    assert shoot.session.scalars(select(ClipText).where(ClipText.clip_id == clip.id)).one().words


def test_the_index_keeps_up_with_its_table(shoot: Shoot) -> None:
    """FTS5's own check compares the index with the table (sqlite.org/fts5.html, section 6.4)."""
    for note in ("first", "second", "third"):
        clip_id = next(iter(shoot.names))
        shoot.session.execute(
            text("UPDATE log_entry SET note = :n WHERE clip_id = :i"), {"n": note, "i": clip_id}
        )
        refresh_text(shoot.session, [clip_id], shoot.vocabulary)
    shoot.session.execute(text("INSERT INTO clip_words(clip_words, rank) VALUES ('integrity-check', 1)"))
    assert (shoot.find("second"), shoot.find("third")) == ("", "winch")
