"""One contract for both databases: a query finds what it means, in every form of its words, best first.

The list of queries in `query_cases.py` runs on both in `test_search.py`.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shared.catalogue.excerpts import read_excerpts
from shared.catalogue.search import Cursor, Order, find_clip_ids, find_clips
from shared.catalogue.text import refresh_text
from shared.db import make_sessions, open_catalogue
from shared.query import Query, Words, render_query
from shared.vocabulary import Vocabulary
from shared.words import split_words
from tests.factories import make_clip, make_entry, make_production, make_reel
from tests.shared.query_sets import CATALOGUES, QUERIES, Planned, holds, write_catalogue
from tests.shared.shoot import Shoot, build_shoot

pytest_plugins = ("tests.postgres",)


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def both(
    request: pytest.FixtureRequest,
    migrated_file: Path,
    tmp_path_factory: pytest.TempPathFactory,
    vocabulary: Vocabulary,
) -> Iterator[Shoot]:
    """The same production on either database."""
    if request.param == "sqlite":
        path = shutil.copyfile(migrated_file, tmp_path_factory.mktemp("contract") / "catalogue.sqlite")
        engine = open_catalogue(f"sqlite:///{path}")
    else:
        engine = open_catalogue(request.getfixturevalue("postgres").make_database())
    with make_sessions(engine)() as session:
        session.connection(execution_options={"writes": True})
        yield build_shoot(session, vocabulary)
    engine.dispose()


@pytest.fixture
def store(both: Shoot) -> Iterator[Shoot]:
    savepoint = both.session.begin_nested()
    yield both
    savepoint.rollback()


_FEW = settings(
    max_examples=12,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@_FEW
@given(planned=CATALOGUES, queries=st.lists(QUERIES, min_size=3, max_size=5))
def test_a_query_finds_what_it_means(store: Shoot, planned: list[Planned], queries: list[Query]) -> None:
    """Against a reading of the query that shares nothing with the program, see `query_sets`."""
    savepoint = store.session.begin_nested()
    try:
        production, clips = write_catalogue(store.session, planned, store.vocabulary)
        for query in queries:
            expected = sorted(key for key, clip in clips.items() if holds(query, clip))
            text = render_query(query)
            assert find_clip_ids(store.session, production, text, store.vocabulary) == expected, text
        page = find_clips(store.session, production, query, store.vocabulary, order=Order.BEST)
        assert sorted(clip.id for clip in page.clips) == expected, text
    finally:
        savepoint.rollback()


@_FEW
@given(note=st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=40))
def test_a_note_is_found_by_all_its_words_however_they_are_written(store: Shoot, note: str) -> None:
    """A word is found as it is, by its beginning, and as one of a phrase; and an excerpt shows each."""
    savepoint = store.session.begin_nested()
    try:
        production = make_production(store.session, language="de")
        clip = make_clip(store.session, make_reel(store.session, production))
        make_entry(store.session, clip, note=note)
        refresh_text(store.session, [clip.id], store.vocabulary)
        words = split_words(note)
        asked = [Words(note, exact=True), *(Words(word) for word in words)]
        asked += [Words(word[: len(word) // 2 + 1], prefix=True) for word in words]
        for one in asked if words else ():
            query = Query((one,))
            assert find_clip_ids(store.session, production, query, store.vocabulary) == [clip.id], one
            (excerpts,) = read_excerpts(store.session, [clip.id], query, store.vocabulary).values()
            assert any(piece.hit for excerpt in excerpts for piece in excerpt.pieces), one
    finally:
        savepoint.rollback()


LANGUAGES = [
    # The accents of Träne do not matter. "ae" for "ä" is one spelling of German, and of German alone.
    (
        "de",
        "Eine Träne an der Fähre",
        ["tränen", "trane", "TRÄNE", "traene", "fähren", "fahre", "faehre"],
        [],
    ),
    ("de-AT", "Die Fähren", ["fähre"], []),
    ("en", "Eine Träne", ["trane"], ["tränen", "traene"]),
    ("da", "Færgen ved broen", ["færge", "færgerne"], ["faerge"]),
    ("fr", "la marée est montée", ["marées", "maree", "monter"], []),
    ("ru", "красный паром", ["красная", "КРАСНУЮ", "красныи"], []),
    ("kl", "ferries", ["ferries", "FERRIES"], ["ferry"]),  # no stemmer for this language
]


@pytest.mark.parametrize(("language", "note", "finds", "misses"), LANGUAGES)
def test_forms_are_those_of_the_productions_language(
    store: Shoot, language: str, note: str, finds: list[str], misses: list[str]
) -> None:
    production = make_production(store.session, language=language)
    clip = make_clip(store.session, make_reel(store.session, production))
    make_entry(store.session, clip, note=note)
    refresh_text(store.session, [clip.id], store.vocabulary)
    for word in finds:
        assert find_clip_ids(store.session, production, word, store.vocabulary) == [clip.id], word
    for word in misses:
        assert find_clip_ids(store.session, production, word, store.vocabulary) == [], word


def test_the_likeliest_come_first(store: Shoot) -> None:
    """A word that was logged, a good rating, a late day: see the points in `ranking`."""

    def best(query: str) -> str:
        page = find_clips(store.session, store.production, query, store.vocabulary, order=Order.BEST)
        return " ".join(store.names[clip.id] for clip in page.clips)

    # Points: winch 3 + 3, ada 4 + 3, aerial 0 + 4, room 2 + 4, pilot 1 + 0.
    assert best("") == "ada room winch aerial pilot"
    assert best("ferry") == "winch aerial"  # both logged it: 10 and 8
    assert best("d001") == "aerial pilot"  # a reel's name is nothing anybody said
    assert best("has:finding") == "ada"
    assert best("-ferry") == "ada room pilot"
    assert best('"winch"') == "winch"


def test_pages_of_the_likeliest_join_to_the_whole_list(store: Shoot, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also past those that are ranked, which are the latest four here."""
    monkeypatch.setattr("shared.catalogue.ranking.MOST_RANKED", 4)
    reel = make_reel(store.session, store.production)
    for _ in range(2):
        make_clip(store.session, reel, shot_at=None)
    ask = (store.session, store.production, "", store.vocabulary)
    whole = [clip.id for clip in find_clips(*ask, order=Order.BEST).clips]
    assert len(set(whole)) == 7
    assert [store.names.get(key, "") for key in whole] == ["ada", "room", "winch", "aerial", "", "", "pilot"]
    for limit in range(1, 9):
        pages: list[int] = []
        place: Cursor | None = None
        while True:
            page = find_clips(*ask, limit=limit, after=place, order=Order.BEST)
            assert 0 < len(page.clips) <= limit
            assert page.total == 7
            pages += [clip.id for clip in page.clips]
            if page.next is None:
                break
            place = Cursor.parse(page.next)
        assert pages == whole
