"""Terms of a query that no bitmap of a value answers: words, texts, dates, lengths, rates.

The database is asked once for the ids of all clips that a term finds; what it said is kept as a bitmap and
goes on being true, because clips that change are asked for anew, by id. A word that half of the clips have
is thus read once and not at every search.
"""

from __future__ import annotations

import json
from array import array
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from pyroaring import BitMap
from sqlalchemy import BinaryExpression, Select, Text, cast, func, select
from sqlalchemy.orm import Session
from sqlalchemy.sql.operators import in_op

from shared.catalogue.chunks import in_chunks
from shared.catalogue.conditions import build_conditions
from shared.catalogue.release_standing import today_of
from shared.models import Clip, Production
from shared.query import Exactly, Query, Term, Words
from shared.vocabulary import Vocabulary

MOST_KEPT = 600  # terms; a common one takes 125 kB at a million clips
MOST_WAITING = 5000  # changed clips of a term that are asked for by id; beyond that it is read anew

# Production, its language, terms that must all hold; and the date where what holds depends on it.
TermKey = tuple[int, str, frozenset[Term], str]


@dataclass(slots=True)
class _Kept:
    found: BitMap
    waiting: BitMap = field(default_factory=BitMap)  # clips that have changed since


class KeptTerms:
    """The latest terms that were asked for. Not safe between threads by itself."""

    def __init__(self) -> None:
        self._kept: OrderedDict[TermKey, _Kept] = OrderedDict()

    def __len__(self) -> int:
        return len(self._kept)

    def list_keys(self) -> list[TermKey]:
        """The one that was asked for the longest ago first."""
        return list(self._kept)

    def clips_changed(self, clip_ids: BitMap) -> None:
        for key, kept in list(self._kept.items()):
            kept.waiting |= clip_ids
            if len(kept.waiting) > MOST_WAITING:
                del self._kept[key]

    def names_changed(self) -> None:
        """A date depends on the days and the zone; words are written to each clip."""
        for key in list(self._kept):
            if not all(isinstance(term, Words) for term in key[2]):
                del self._kept[key]

    def find(self, key: TermKey) -> _Kept | None:
        kept = self._kept.get(key)
        if kept is not None:
            self._kept.move_to_end(key)
        return kept

    def keep(self, key: TermKey, found: BitMap) -> None:
        self._kept[key] = _Kept(found)
        self._kept.move_to_end(key)
        while len(self._kept) > MOST_KEPT:
            self._kept.popitem(last=False)


def term_key(production: Production, terms: Sequence[Term]) -> TermKey:
    asked = frozenset(map(_positive, terms))
    date = str(today_of(production)) if any(map(_depends_on_date, asked)) else ""
    return production.id, production.language, asked, date


def _depends_on_date(term: Term) -> bool:
    """Releases come to an end at a midnight, when nothing in the catalogue changes."""
    if isinstance(term, Words) or term.field not in ("has", "no"):
        return False
    return any(isinstance(value, Exactly) and value.text.lower() == "release" for value in term.values)


def _positive(term: Term) -> Term:
    return replace(term, negated=False)


def find_by_sql(
    session: Session,
    production: Production,
    terms: Sequence[Term],
    vocabulary: Vocabulary,
    query: Query,
    clip_ids: BitMap | None = None,
) -> BitMap:
    """The clips for which all terms hold, negated or not; of `clip_ids` alone when given.

    Clips of other productions may be among them. Raises QueryError as `build_conditions`.
    """
    asked = Query(tuple(map(_positive, terms)), query.text)
    production_is, *conditions = build_conditions(session, production, asked, vocabulary)
    rows = _inner_select(conditions) if len(conditions) == 1 else None
    if rows is None:
        rows = select(Clip.id).where(production_is, *conditions)
    if clip_ids is None:
        return _read_ids(session, rows)
    column = rows.selected_columns[0]
    found = BitMap()
    for chunk in in_chunks(clip_ids):
        found |= BitMap(key for key in session.scalars(rows.where(column.in_(chunk))) if key is not None)
    return found


def _inner_select(conditions: Sequence[Any]) -> Select[Any] | None:
    """The statement inside `clip.id IN (SELECT …)`: asked by itself it need not look at every clip."""
    (condition,) = conditions
    if not isinstance(condition, BinaryExpression) or condition.operator is not in_op:
        return None
    inner = getattr(condition.right, "element", condition.right)
    same = getattr(condition.left, "table", None) is Clip.__table__ and condition.left.key == "id"
    return inner if same and isinstance(inner, Select) else None


def _read_ids(session: Session, rows: Select[Any]) -> BitMap:
    """All ids in one text: a fifth of the time that as many rows take."""
    key = rows.subquery().c[0]
    if session.get_bind().dialect.name == "sqlite":
        text = session.scalar(select(func.json_group_array(key)))
    else:
        text = f"[{session.scalar(select(func.string_agg(cast(key, Text), ','))) or ''}]"
    ids = json.loads(text or "[]")
    if None in ids:
        ids = [one for one in ids if one is not None]
    return BitMap(array("I", ids))
