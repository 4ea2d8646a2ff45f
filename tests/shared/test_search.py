"""Search on a real, migrated SQLite catalogue: what each query finds, pages, facets, and statements."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select, text
from sqlalchemy.orm import Session

from shared.catalogue.known_texts import ClipKnown, Text
from shared.catalogue.search import find_clip_ids, find_clips
from shared.catalogue.text import clip_words, refresh_text
from shared.errors import QueryError
from shared.models import Clip, FileRole, Production
from shared.query import Exactly, Match, Query, Words
from shared.vocabulary import Vocabulary
from tests.factories import (
    make_clip,
    make_clip_file,
    make_file,
    make_finding,
    make_production,
    make_reel,
)
from tests.shared.query_cases import QUERIES
from tests.shared.shoot import Shoot


@pytest.mark.parametrize(("query", "found"), QUERIES)
def test_query_finds(shoot: Shoot, query: str, found: str) -> None:
    assert shoot.find(query) == found


def test_a_tree_is_as_good_as_text(shoot: Shoot) -> None:
    tree = Query((Words("ferry"), Match("kind", (Exactly("b-roll"),), negated=True)))
    assert shoot.find(tree) == "aerial"


@pytest.mark.parametrize(
    ("query", "column", "listed"),
    [
        ("size:huge", 5, ["cu", "ms", "els"]),
        ("ferry size:cu,huge", 14, ["cu (Close-up)"]),
        ("kind:a-roll..b-roll", 5, ["have no order"]),
        ("rating:good..ng", 7, ["runs backwards"]),
        ("rating:5..2", 7, ["runs backwards"]),
        ("rating:0", 7, ["1 to 5", "1 ng", "5 circled"]),
        ("day:9", 4, ["1 (2026-05-01)", "2 (2026-05-02)"]),
        ("day:2..1", 4, ["runs backwards"]),
        ("date:2026-05-02..2026-05-01", 5, ["runs backwards"]),
        ("duration:1m..30s", 9, ["runs backwards"]),
        ("camera:Z", 7, ["A (Main body)", "D (Drone)"]),
        ("lens:50", 5, ["35 mm f/1.8"]),
        ("reel:B001", 5, ["A001", "D001", "S001"]),
        ("person:Ida", 7, ["Ada Wren", "Tom Reed"]),
        ("tag:fery", 4, ["ferry", "Rope & chain"]),
        ("finding:loud", 8, ["no-signal", "hum"]),
    ],
)
def test_a_value_that_does_not_exist_lists_what_does(
    shoot: Shoot, query: str, column: int, listed: list[str]
) -> None:
    with pytest.raises(QueryError) as caught:
        shoot.find(query)
    assert (caught.value.column, caught.value.query) == (column, query)
    assert all(value in caught.value.message for value in listed)
    assert caught.value.remedy


def test_a_near_miss_is_suggested(shoot: Shoot) -> None:
    with pytest.raises(QueryError, match="Did you mean ferry"):
        shoot.find("tag:fery")


@pytest.mark.parametrize(
    ("query", "suggestion"),
    [
        ("size:extreme long shot", 'size:"extreme long shot"'),
        ("ferry -size:ms,extreme long shot kind:b-roll", 'size:"extreme long shot"'),
        ("kind:piece to camera", 'kind:"piece to camera"'),
        ("camera:main body", ""),  # in part is enough
        ("tag:rope & chain", ""),  # the sign is no plain word
        ("tag:rope chain", 'tag:"rope chain"'),
        ('kind:piece "to camera"', ""),
        ("kind:piece -to camera", ""),
        ("kind:piece,ms to camera", ""),
    ],
)
def test_missing_quotation_marks_are_noticed(shoot: Shoot, query: str, suggestion: str) -> None:
    remedy = ""
    try:
        shoot.find(query)
    except QueryError as error:
        remedy = error.remedy or ""
    assert ("needs the marks" in remedy) is bool(suggestion)
    assert suggestion in remedy


def test_an_empty_kit_list_says_so(session: Session, production: Production, vocabulary: Vocabulary) -> None:
    with pytest.raises(QueryError, match="this production has no tags yet"):
        find_clips(session, production, "tag:ferry", vocabulary)


@pytest.mark.parametrize(
    "query",
    [
        '"AND"', "NOT", "OR", "NEAR", "NEAR(a,b)", "a(b)c", "^ferry", "{words}", "+ferry", "ferry\\",
        "words'--", "'; DROP", '"""ferry"""', "%", "x_y", "note:'", 'note:""""', "note:%", "note:\\",
        "note:/", "name:_", "ferr\u0301y", "fer\u200dry", "\U0001f469\u200d\U0001f3ac", "日本", "١٢٣", "ⅷ½",
        "x" * 3000, "\ue000a", "\u00adb",
    ],
)  # fmt: skip
def test_hostile_text_is_only_text(shoot: Shoot, query: str) -> None:
    try:
        shoot.find(query)
    except QueryError as error:
        assert "nothing to look for" in error.message


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(query=st.text(st.characters() | st.sampled_from('"*-:,()ANDORT^'), max_size=25))
def test_no_text_breaks_the_database(shoot: Shoot, query: str) -> None:
    try:
        shoot.find(query)
    except QueryError as error:
        assert error.remedy


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(note=st.text(st.characters(exclude_categories=["Cs"]), max_size=40))
def test_what_is_written_is_found_by_its_own_words(shoot: Shoot, note: str) -> None:
    """Also where SQLite's idea of a letter is not ours: both sides go through the same splitting."""
    clip_id = next(iter(shoot.names))
    words = clip_words(ClipKnown((Text("note", f"begin {note} end"),)), shoot.vocabulary)
    shoot.session.execute(
        text("UPDATE clip_text SET words = :w WHERE clip_id = :i"), {"w": words, "i": clip_id}
    )
    assert shoot.find(Query((Words(f"begin {note} end"),))) == "winch"


def test_terms_are_found_by_alias_unless_it_denies(vocabulary: Vocabulary) -> None:
    words = clip_words(ClipKnown((Text("note", "a"),), (("size", "cu"), ("rating", "ng"))), vocabulary)
    assert "close shot" in words
    assert "reject" in words
    assert "good" not in words


def test_a_dropped_term_is_found_by_its_code(vocabulary: Vocabulary) -> None:
    assert "lantern" in clip_words(ClipKnown((), (("kind", "lantern"),)), vocabulary)


def test_another_production_is_another_world(shoot: Shoot) -> None:
    other = make_production(shoot.session)
    reel = make_reel(shoot.session, other, name="A001")
    clip = make_clip(shoot.session, reel, "CLIP/C0001.MP4")
    refresh_text(shoot.session, [clip.id], shoot.vocabulary)
    assert shoot.find("C0001") == "winch"
    assert [found.id for found in find_clips(shoot.session, other, "C0001", shoot.vocabulary).clips] == [
        clip.id
    ]
    with pytest.raises(QueryError, match="no cameras yet"):
        find_clips(shoot.session, other, "camera:A", shoot.vocabulary)


def test_a_clip_of_no_day_has_the_date_of_its_day_hour(
    session: Session, production: Production, vocabulary: Vocabulary
) -> None:
    """Days begin at 04:00 in Copenhagen, which is 02:00 UTC in May and 03:00 UTC in January."""
    reel = make_reel(session, production)
    before = make_clip(session, reel, shot_at=dt.datetime(2026, 5, 2, 1, 59, 59, tzinfo=dt.UTC))
    after = make_clip(session, reel, shot_at=dt.datetime(2026, 5, 2, 2, 0, tzinfo=dt.UTC))
    winter = make_clip(session, reel, shot_at=dt.datetime(2026, 1, 10, 2, 30, tzinfo=dt.UTC))

    def found(query: str) -> list[int]:
        return find_clip_ids(session, production, query, vocabulary)

    assert found("date:2026-05-01") == [before.id]
    assert found("date:2026-05-02") == [after.id]
    assert found("date:2026-01-09") == [winter.id]
    assert found("date:>2026-05-01") == [after.id]


def test_a_clip_of_a_day_has_its_date_whatever_its_clock(shoot: Shoot) -> None:
    clip = shoot.session.scalars(select(Clip).where(Clip.name == "CLIP/C0001")).one()
    clip.shot_at = dt.datetime(2026, 5, 2, 12, tzinfo=dt.UTC)
    shoot.session.flush()
    assert shoot.find("date:2026-05-01") == "ada winch"
    assert shoot.find("date:2026-05-02") == "aerial room"


def test_a_finding_of_a_file_is_the_clips(shoot: Shoot) -> None:
    clip = shoot.session.scalars(select(Clip).where(Clip.name == "TAKE01")).one()
    make_finding(shoot.session, None, file_id=clip.files[0].file_id, code="cut-short")
    assert shoot.find("finding:cut-short") == "room"
    assert shoot.find("has:finding") == "ada room"


def test_a_companion_is_found_too(shoot: Shoot) -> None:
    clip = shoot.session.scalars(select(Clip).where(Clip.name == "CLIP/C0001")).one()
    sidecar = make_file(shoot.session, clip.reel, "CLIP/C0001M01.XML")
    make_clip_file(shoot.session, clip, sidecar, role=FileRole.SIDECAR, ordinal=1)
    refresh_text(shoot.session, [clip.id], shoot.vocabulary)
    assert shoot.find("C0001M01.xml") == "winch"
    assert shoot.find("name:m01.x") == "winch"
