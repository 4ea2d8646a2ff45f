"""The bitmaps at one place of the catalogue's changes, and what they say of a query."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field

from pyroaring import BitMap
from sqlalchemy.orm import Session

from shared.catalogue.facets import PRESENCE_SHOWN, FacetValue
from shared.catalogue.lookup import Known
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
    # The bitmaps of a field's named values beside them, by field and the names they were made from.
    _listed: dict[tuple[str, int], Listed] = field(default_factory=dict)

    def clips_with(self, name: str, key: Key) -> BitMap:
        return self.values.get(name, {}).get(key, _NOTHING)

    def clips_with_any(self, name: str) -> BitMap:
        return join(self.values.get(name, {}).values())

    def list_named(self, names: Names, name: str) -> Listed:
        """Thousands of reels: looked up once and not at every question."""
        found = self._listed.get((name, id(names)))
        if found is None or found.names is not names:
            of_field = self.values.get(name, {})
            rows = [row for row in names.known[name] if row.id in of_field]
            found = Listed(names, [of_field[row.id] for row in rows], rows)
            self._listed[name, id(names)] = found
        return found

    def forget_lists(self) -> None:
        self._listed.clear()


@dataclass(frozen=True, slots=True)
class Listed:
    names: Names
    clips: Sequence[BitMap]
    rows: Sequence[Known]


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
                if key in of_field:
                    of_field[key].update(clips)
                else:
                    of_field[key] = clips
                    state.forget_lists()
        state.terms.clips_changed(changes.clips)
    if changes.names:
        state.names.clear()
        state.forget_lists()
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
    if what in ("log", "still", "transcript"):
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
    for name in fields:
        listed = _values(state, names, vocabulary, name)
        numbers = list(map(found.intersection_cardinality, listed.clips))
        places = [place for place, number in enumerate(numbers) if number]
        if most is not None and len(places) > most:
            counts.left_out[name] = len(places) - most
            places = sorted(heapq.nlargest(most, places, key=numbers.__getitem__))
        if places:
            counts.fields[name] = [FacetValue(*listed.named(place), numbers[place]) for place in places]
    return counts


@dataclass(frozen=True, slots=True)
class _Values:
    """The bitmaps of a field's values, and what the values are called."""

    clips: Sequence[BitMap]
    named: Callable[[int], tuple[str, str]]  # value and label, by place


def _values(state: State, names: Names, vocabulary: Vocabulary, name: str) -> _Values:
    if name in NAMED_FIELDS:
        listed = state.list_named(names, name)
        label = 1 if name in ("day", "camera") else 0
        return _Values(listed.clips, lambda place: _name(listed.rows[place], label))
    if name == "has":
        return _codes([state.clips_with_any(what) for what in PRESENCE_SHOWN], PRESENCE_SHOWN)
    if name in TERM_FIELDS:
        terms = vocabulary.terms(name)
        clips = [state.clips_with(name, term.code) for term in terms]
        return _Values(clips, lambda place: (terms[place].code, terms[place].label))
    codes = MEDIA if name == "media" else sorted(map(str, state.values.get(name, {})))
    return _codes([state.clips_with(name, code) for code in codes], codes)


def _name(row: Known, label: int) -> tuple[str, str]:
    return row.names[0], row.names[label]


def _codes(clips: Sequence[BitMap], codes: Sequence[str]) -> _Values:
    return _Values(clips, lambda place: (codes[place], codes[place]))
