"""The bitmaps at one place of the catalogue's changes, and what they say of a query."""

from __future__ import annotations

import heapq
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field

from pyroaring import BitMap
from sqlalchemy.orm import Session

from shared.catalogue.facets import PRESENCE_SHOWN, FacetValue
from shared.facets.changes import Changes, Place, read_place
from shared.facets.derive import Bitmaps, Key, read_bitmaps
from shared.facets.names import NAMED_FIELDS, Names, keys_of
from shared.facets.sql_terms import KeptTerms
from shared.query import Exactly, Term, Value, Words
from shared.query_fields import MEDIA, TERM_FIELDS
from shared.vocabulary import Vocabulary

_NOTHING = BitMap()


@dataclass(slots=True)
class State:
    """Everything as it was at `place`. Changed in place: whoever uses it holds the index's lock."""

    place: Place
    values: Bitmaps
    names: dict[int, Names] = field(default_factory=dict)  # by production
    terms: KeptTerms = field(default_factory=KeptTerms)

    def clips_with(self, name: str, key: Key) -> BitMap:
        return self.values.get(name, {}).get(key, _NOTHING)

    def clips_with_any(self, name: str) -> BitMap:
        return join(self.values.get(name, {}).values())


def read_state(session: Session) -> State:
    place = read_place(session)  # first: what is read after it holds all before it
    state = State(place, read_bitmaps(session))
    for values in state.values.values():
        for clips in values.values():
            clips.run_optimize()  # clips of a reel or a day stand in a row
    return state


def apply_changes(session: Session, state: State, changes: Changes) -> None:
    """Take the changed clips out of every value and put them where they are now."""
    if changes.clips:
        anew = read_bitmaps(session, changes.clips)
        for values in state.values.values():
            for bitmap in values.values():
                bitmap.difference_update(changes.clips)
        for name, found in anew.items():
            of_field = state.values.setdefault(name, {})
            for key, clips in found.items():
                of_field[key] = of_field.get(key, _NOTHING) | clips
        state.terms.clips_changed(changes.clips)
    if changes.names:
        state.names.clear()
        state.terms.names_changed()
    state.place = changes.place


def join(bitmaps: Iterable[BitMap]) -> BitMap:
    found = list(bitmaps)
    return BitMap.union(*found) if found else BitMap()


# -- what a query means -------------------------------------------------------------------------------


def find_by_bitmaps(
    state: State, names: Names, vocabulary: Vocabulary, everything: BitMap, term: Term
) -> BitMap | None:
    """The clips for which a term holds, negated or not; none: the bitmaps can't tell."""
    if isinstance(term, Words):
        return None
    parts: list[BitMap] = []
    for value in term.values:
        if term.field in ("has", "no"):
            part = _has(state, value)
            if part is not None and term.field == "no":
                part = everything - part
        elif term.field == "finding":
            part = _open_finding(state, everything, value)
        else:
            part = _any_of(state, names, vocabulary, term.field, value)
        if part is None:
            return None
        parts.append(part)
    return join(parts)


def _has(state: State, value: Value) -> BitMap | None:
    what = value.text.lower() if isinstance(value, Exactly) else ""
    if what in ("log", "still"):
        return state.clips_with(what, True)
    if what in (*TERM_FIELDS, "finding", "tag", "person", "camera", "lens", "day"):
        return state.clips_with_any(what)
    return None


def _open_finding(state: State, everything: BitMap, value: Value) -> BitMap | None:
    """A code that is dismissed everywhere is known to the database alone, as is one of nowhere."""
    clips = state.clips_with("finding", value.text if isinstance(value, Exactly) else "")
    return clips if clips.intersect(everything) else None


def _any_of(state: State, names: Names, vocabulary: Vocabulary, name: str, value: Value) -> BitMap | None:
    keys = keys_of(names, vocabulary, name, value)
    return None if keys is None else join(state.clips_with(name, key) for key in keys)


# -- counts -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FacetCounts:
    """`total` clips are found; `fields` as `shared.catalogue.facets.facets` gives them, each cut to its most
    frequent values; `left_out` says how many were cut, where any were.
    """

    total: int
    fields: dict[str, list[FacetValue]] = field(default_factory=dict)
    left_out: dict[str, int] = field(default_factory=dict)


def count_values(
    state: State,
    names: Names,
    found: BitMap,
    vocabulary: Vocabulary,
    fields: Collection[str],
    most: int | None,
) -> FacetCounts:
    """How many of the clips found have each value, at most so many values of each field."""
    counts = FacetCounts(len(found))
    count_in = found.intersection_cardinality
    for name in fields:
        values = [(count_in(one[0]), one) for one in _values(state, names, vocabulary, name)]
        places = [place for place, (count, _) in enumerate(values) if count]
        if most is not None and len(places) > most:
            counts.left_out[name] = len(places) - most
            places = sorted(heapq.nlargest(most, places, key=lambda place: (values[place][0], -place)))
        if places:
            picked = (values[place] for place in places)
            counts.fields[name] = [FacetValue(value, label, count) for count, (_, value, label) in picked]
    return counts


def _values(
    state: State, names: Names, vocabulary: Vocabulary, name: str
) -> Iterator[tuple[BitMap, str, str]]:
    """Clips, value and label."""
    of_field = state.values.get(name, {})
    if name in NAMED_FIELDS:
        labelled = name in ("day", "camera")
        for row in names.known[name]:
            if clips := of_field.get(row.id):
                yield clips, row.names[0], row.names[1] if labelled else row.names[0]
    elif name in TERM_FIELDS:
        for term in vocabulary.terms(name):
            yield of_field.get(term.code, _NOTHING), term.code, term.label
    elif name == "has":
        for what in PRESENCE_SHOWN:
            clips = state.clips_with_any(what)
            yield clips, what, what
    else:
        for code in MEDIA if name == "media" else sorted(map(str, of_field)):
            yield of_field.get(code, _NOTHING), code, code
