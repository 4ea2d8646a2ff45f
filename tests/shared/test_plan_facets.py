"""Counts beside a search follow the plan and the releases as they change."""

from __future__ import annotations

import datetime as dt

import pytest

import shared.facets.sql_terms
from shared.catalogue.plan import put_answer, put_wish
from shared.catalogue.releases import put_release, release_values
from shared.catalogue.rows import RowsEdit
from shared.db import Sessions, reading, writing
from shared.facets.index import FacetIndex
from shared.models import AnswerState, Clip, Production, Release
from shared.vocabulary import Vocabulary
from tests import factories as make


def test_wishes_and_releases_are_counted_as_they_stand(
    catalogue: Sessions, vocabulary: Vocabulary, monkeypatch: pytest.MonkeyPatch
) -> None:
    index = FacetIndex(catalogue)

    def count(query: str) -> int:
        with reading(catalogue) as session:
            production = session.get_one(Production, 1)
            return index.count(session, production, query, vocabulary).total

    with writing(catalogue) as session:
        production = make.make_production(session)
        reel = make.make_reel(session, production)
        for number in range(3):
            clip = make.make_clip(session, reel, f"C{number:04}.MP4")
            make.make_entry(session, clip, people=[make.make_person(session, production, f"P{number}")])
        edit = RowsEdit(session, production, "ada", "")
        put_wish(edit, None, {"what": "hands"})
        edit.close()
    queries = ("has:wish", "wish:W1", "-wish:hands", "has:release", "has:person no:release")
    assert [count(query) for query in queries] == [0, 0, 3, 0, 3]
    with writing(catalogue) as session:
        production = session.get_one(Production, 1)
        edit = RowsEdit(session, production, "ada", "")
        wish = put_wish(edit, None, {"what": "wheel"})
        put_answer(edit, wish, clip=session.get_one(Clip, 1), moment=None, state=AnswerState.CONFIRMED)
        values = release_values(session, production, {"who": "P0", "signed": "2026-05-01"})
        put_release(edit, None, values | {"until": "2026-06-30"})
        edit.close()
    monkeypatch.setattr("shared.catalogue.conditions.today_of", lambda _: dt.date(2026, 6, 30))
    monkeypatch.setattr(shared.facets.sql_terms, "today_of", lambda _: dt.date(2026, 6, 30))
    assert [count(query) for query in queries] == [1, 0, 3, 1, 2]
    assert [count(query) for query in queries] == [1, 0, 3, 1, 2], "from what was kept"
    monkeypatch.setattr("shared.catalogue.conditions.today_of", lambda _: dt.date(2026, 7, 1))
    monkeypatch.setattr(shared.facets.sql_terms, "today_of", lambda _: dt.date(2026, 7, 1))
    assert count("has:release") == 0, "it came to its end at midnight, and nothing was written"
    with writing(catalogue) as session:
        session.get_one(Release, 1).until = None
    assert count("has:release") == 1
