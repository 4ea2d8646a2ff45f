"""The bitmaps of one catalogue, kept by the service beside its database."""

from __future__ import annotations

import threading
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from pyroaring import BitMap
from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.catalogue.facets import FIELDS_SHOWN
from shared.catalogue.search import Cursor, Page
from shared.db import Sessions, reading
from shared.errors import UsageError
from shared.facets.changes import Place, read_changes
from shared.facets.common_words import list_common_words
from shared.facets.names import Names, read_names
from shared.facets.pages import Places, candidates, cut_places, load_page, next_places, read_places
from shared.facets.sql_terms import find_by_sql, term_key
from shared.facets.state import (
    FacetCounts,
    State,
    apply_changes,
    count_values,
    find_by_bitmaps,
    read_state,
)
from shared.models import Production
from shared.query import Query, Term, Words, parse_query
from shared.vocabulary import Vocabulary

LARGE = 20_000  # clips of a production whose common words are kept from the start
_NO_TERMS = Vocabulary(())


@dataclass(frozen=True, slots=True)
class _Asked:
    """One question: where it is asked, and the state with everything in it that its session sees."""

    session: Session
    production: Production
    vocabulary: Vocabulary
    query: Query
    state: State
    names: Names
    place: Place


class FacetIndex:
    """Counts as of now: every answer takes in what was committed before it was asked for.

    One lock is held for the milliseconds in which bitmaps are read or changed, never while the database
    looks for words. Questions are asked in the caller's session, as a second one would need a second
    connection while it holds the first. It must be one that only reads: what is not committed may never get
    in. Nothing is read before the first question or `prepare`; who asks while everything is read, waits.
    """

    def __init__(self, sessions: Sessions) -> None:
        self._sessions = sessions
        self._lock = threading.Lock()
        self._state: State | None = None

    def count(
        self,
        session: Session,
        production: Production,
        query: str | Query,
        vocabulary: Vocabulary,
        *,
        fields: Collection[str] = FIELDS_SHOWN,
        most: int | None = None,
    ) -> FacetCounts:
        """Counts of these fields for the clips a query finds, at most so many values of each.

        Raises QueryError for a query that can't be read or names what does not exist.
        """
        parsed = parse_query(query) if isinstance(query, str) else query
        asked = self._catch_up(session, production, vocabulary, parsed)
        found = self._find(asked)
        with self._lock:
            return count_values(asked.state, asked.names, found, vocabulary, fields, most)

    def find_page(
        self,
        session: Session,
        production: Production,
        query: str | Query,
        vocabulary: Vocabulary,
        *,
        limit: int,
        after: Cursor | None = None,
    ) -> Page:
        """As `shared.catalogue.search.find_clips` in the order of time, the total counted by bitmaps.

        Raises QueryError, and UsageError for a place in another order.
        """
        places = self.find_places(session, production, query, vocabulary, limit=limit, after=after)
        return load_page(session, places)

    def find_places(
        self,
        session: Session,
        production: Production,
        query: str | Query,
        vocabulary: Vocabulary,
        *,
        limit: int,
        after: Cursor | None = None,
    ) -> Places:
        """Which clips stand on that page. Raises as `find_page`."""
        if after is not None and after.points is not None:
            raise UsageError("this is a place in a list of another order", remedy="Begin again without it.")
        parsed = parse_query(query) if isinstance(query, str) else query
        asked = self._catch_up(session, production, vocabulary, parsed)
        found = self._find(asked)
        with self._lock:
            of = len(asked.state.clips_with("production", production.id))
        places = next_places(session, production, found, of, limit + 1, after)
        if places is None:
            with self._lock:
                likely = candidates(asked.state, found, limit + 1, after)
            places = read_places(session, likely, limit + 1, after)
        return cut_places(places, limit, len(found))

    def prepare(self) -> None:
        """Read everything now, and look for words of many clips: each takes longer than an answer may."""
        with reading(self._sessions) as session:
            productions = list(session.scalars(select(Production).order_by(Production.id)))
            words = {
                one.id: list_common_words(session, one)
                for one in productions
                if self.count(session, one, "", _NO_TERMS, fields=()).total > LARGE
            }
        for production in productions:
            for word in words.get(production.id, ()):
                with reading(self._sessions) as session:
                    query = Query((Words(word),), word)
                    self._ask(self._catch_up(session, production, _NO_TERMS, query), query.terms)

    def _catch_up(
        self, session: Session, production: Production, vocabulary: Vocabulary, query: Query
    ) -> _Asked:
        """Take in what has changed. A session that began earlier may see less than the bitmaps hold by now:
        then its place is another than theirs, and nothing it reads is kept.
        """
        assert not session.connection().get_execution_options().get("writes"), "a session that only reads"
        with self._lock:
            state = self._state
            changes = None if state is None else read_changes(session, state.place)
            if state is None or changes is None or changes.lost:
                self._state = None  # the old one is gone before the new one takes memory
                state = self._state = read_state(session)
                place = state.place
            else:
                place = changes.place
                if not changes.earlier:
                    apply_changes(session, state, changes)
            names = state.names.get(production.id)
            if names is None:
                names = read_names(session, production)
                if place == state.place:
                    state.names[production.id] = names
            return _Asked(session, production, vocabulary, query, state, names, place)

    def _find(self, asked: _Asked) -> BitMap:
        words = [term for term in asked.query.terms if isinstance(term, Words) and not term.negated]
        by_sql: list[tuple[Sequence[Term], bool]] = []
        with self._lock:
            found = everything = asked.state.clips_with("production", asked.production.id)
            for term in asked.query.terms:
                if term in words:
                    continue
                held = find_by_bitmaps(asked.state, asked.names, asked.vocabulary, everything, term)
                if held is None:
                    by_sql.append(((term,), term.negated))
                else:
                    found = found - held if term.negated else found & held
            by_sql = [*((group, False) for group in _group_words(asked, words)), *by_sql]
            found = found.copy()  # the bitmap of all clips is changed in place once the lock is free
        for terms, negated in by_sql:
            held = self._ask(asked, terms)
            found = found - held if negated else found & held
        return found

    def _ask(self, asked: _Asked, terms: Sequence[Term]) -> BitMap:
        """What the database says of terms, or said; of clips that have changed since it is asked again."""
        key = term_key(asked.production, terms)
        with self._lock:
            kept = asked.state.terms.find(key)
            if kept is not None and not kept.waiting:
                return kept.found
            waiting = None if kept is None else kept.waiting.copy()
        anew = find_by_sql(asked.session, asked.production, terms, asked.vocabulary, asked.query, waiting)
        found = anew if kept is None or waiting is None else (kept.found - waiting) | anew
        with self._lock:
            if asked.state.place == asked.place:  # else it may not have seen the latest changes
                asked.state.terms.keep(key, found)
        return found


def _group_words(asked: _Asked, words: Sequence[Words]) -> list[Sequence[Term]]:
    """Words one by one where each is kept; else all together, as the rarest of them then leads."""
    each: list[Sequence[Term]] = [(word,) for word in words]
    if all(asked.state.terms.find(term_key(asked.production, one)) is not None for one in each):
        return each
    return [words]
