"""Small catalogues and queries drawn at random, and a second reading of what a query means.

`holds` knows nothing of the program but the query's tree: words, ranks and names stand here in tables of
their own, and a clip is a handful of plain values.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from hypothesis import strategies as st
from sqlalchemy.orm import Session

from shared.catalogue.text import refresh_text
from shared.models import LogEntry, Moment, Production
from shared.query import Between, Beyond, Exactly, Match, Query, Term, Value, Words
from shared.vocabulary import Vocabulary
from tests.factories import (
    make_channel,
    make_clip,
    make_day,
    make_entry,
    make_finding,
    make_person,
    make_production,
    make_reel,
    make_tag,
)

# Each word of a note, how it is folded, and its family: the forms of one word (English).
FOLDED = {"lantern": "lantern", "lanterns": "lanterns", "row": "row", "rowing": "rowing", "café": "cafe"}
FAMILY = {"lantern": 1, "lanterns": 1, "row": 2, "rowing": 2, "rowed": 2, "café": 3, "cafes": 3, "CAFE": 3}
TYPED = {**FOLDED, "rowed": "rowed", "cafes": "cafes", "CAFE": "cafe"}
BEGINNINGS = ("lant", "lanterns", "row", "rowi", "caf")

NAMES = {
    "kind": {"interview": "interview", "INTERVIEW": "interview", "b-roll": "b-roll", "B roll": "b-roll"},
    "size": {"cu": "cu", "close-up": "cu", "Close up": "cu", "ms": "ms", "medium shot": "ms"},
    "tag": {"rope": "rope", "MUD": "mud"},
    "person": {"Ada": "Ada Wren", "ada wren": "Ada Wren", "Tom Reed": "Tom Reed"},
}
RATINGS = ("ng", "hold", "alt", "good", "circled")
RATED_AS = {**{code: code for code in RATINGS}, **{str(n): code for n, code in enumerate(RATINGS, 1)}}
PRESENCE = ("log", "finding", "tag", "person", "moment", "rating", "day")


@dataclass(frozen=True)
class Planned:
    """A clip. Without `logged` nothing was said of the clip itself."""

    logged: bool
    day: int | None
    seconds: int | None
    kind: str | None
    size: str | None
    rating: str | None
    note: tuple[str, ...]
    tags: frozenset[str]
    people: frozenset[str]
    moment: tuple[str, ...] | None  # the words said of a moment in it
    moment_tags: frozenset[str]
    voice: str | None  # the person on its first channel
    finding: bool

    def own(self, name: str) -> str | None:
        value: str | None = getattr(self, name)
        return value if self.logged else None

    def names(self, name: str) -> frozenset[str]:
        if name == "tag":
            of_moment = self.moment_tags if self.moment is not None else frozenset()
            return (self.tags if self.logged else frozenset()) | of_moment
        voices = frozenset(() if self.voice is None else (self.voice,))
        return (self.people if self.logged else frozenset()) | voices

    def texts(self) -> list[tuple[str, ...]]:
        return [*([self.note] if self.logged else []), *([] if self.moment is None else [self.moment])]


_notes = st.lists(st.sampled_from(sorted(FOLDED)), max_size=4).map(tuple)
_tags = st.frozensets(st.sampled_from(sorted(set(NAMES["tag"].values()))))
_people = st.sampled_from(sorted(set(NAMES["person"].values())))
CATALOGUES = st.lists(
    st.builds(
        Planned,
        logged=st.booleans(),
        day=st.none() | st.integers(1, 3),
        seconds=st.none() | st.integers(1, 4),
        kind=st.none() | st.sampled_from(("interview", "b-roll")),
        size=st.none() | st.sampled_from(("cu", "ms")),
        rating=st.none() | st.sampled_from(RATINGS),
        note=_notes,
        tags=_tags,
        people=st.frozensets(_people),
        moment=st.none() | _notes,
        moment_tags=_tags,
        voice=st.none() | _people,
        finding=st.booleans(),
    ),
    min_size=1,
    max_size=4,
)

# -- queries ----------------------------------------------------------------------------------------


def _ordered(samples: Sequence[str]) -> st.SearchStrategy[Value]:
    """Values of a field with an order; no range runs backwards, which is an error of its own."""
    ends = st.tuples(st.integers(0, len(samples) - 1), st.integers(0, len(samples) - 1)).map(sorted)
    ranges = st.tuples(ends, st.sampled_from(("both", "low", "high"))).map(
        lambda drawn: Between(
            None if drawn[1] == "high" else samples[drawn[0][0]],
            None if drawn[1] == "low" else samples[drawn[0][1]],
        )
    )
    one = st.sampled_from(samples)
    return st.builds(Exactly, one) | ranges | st.builds(Beyond, one, st.booleans())


def _match(name: str, value: st.SearchStrategy[Value]) -> st.SearchStrategy[Match]:
    values = st.lists(value, min_size=1, max_size=3).map(tuple)
    return st.builds(Match, st.just(name), values, st.booleans())


def _exactly(samples: Sequence[str]) -> st.SearchStrategy[Value]:
    return st.builds(Exactly, st.sampled_from(samples))


_words = st.sampled_from(sorted(TYPED))
_phrase = st.lists(_words, min_size=1, max_size=2).map(" ".join)
_any_words = (
    st.builds(Words, _words, negated=st.booleans())
    | st.builds(Words, _phrase, negated=st.booleans(), exact=st.just(True))
    | st.builds(Words, st.sampled_from(BEGINNINGS), prefix=st.just(True), negated=st.booleans())
)
_ratings = _ordered(RATINGS) | _ordered([str(n) for n in range(1, 6)])
_matches = st.one_of(
    *(_match(name, _exactly(sorted(named))) for name, named in NAMES.items()),
    _match("rating", _ratings),
    _match("day", _ordered(["1", "2", "3"])),
    _match("duration", _ordered(["1s", "2s", "3s", "4s"])),
    _match("has", _exactly(PRESENCE)),
    _match("no", _exactly(PRESENCE)),
)
QUERIES = st.lists(_any_words | _matches, min_size=1, max_size=3).map(lambda terms: Query(tuple(terms)))

# -- what they mean ---------------------------------------------------------------------------------


def holds(query: Query, clip: Planned) -> bool:
    return all(_holds(term, clip) is not term.negated for term in query.terms)


def _holds(term: Term, clip: Planned) -> bool:
    if isinstance(term, Words):
        return any(_stands_in(term, text) for text in clip.texts())
    return any(_has(term.field, value, clip) for value in term.values)


def _stands_in(words: Words, text: tuple[str, ...]) -> bool:
    folded = [FOLDED[word] for word in text]
    if words.prefix:
        return any(word.startswith(words.text) for word in folded)
    if not words.exact:
        return any(FAMILY[word] == FAMILY[words.text] for word in text)
    run = [TYPED[word] for word in words.text.split()]
    return any(folded[at : at + len(run)] == run for at in range(len(folded)))


def _has(name: str, value: Value, clip: Planned) -> bool:
    if name in ("kind", "size"):
        assert isinstance(value, Exactly)
        return clip.own(name) == NAMES[name][value.text]
    if name in ("tag", "person"):
        assert isinstance(value, Exactly)
        return NAMES[name][value.text] in clip.names(name)
    if name in ("has", "no"):
        assert isinstance(value, Exactly)
        return _is_there(value.text, clip) is (name == "has")
    place, read = _SCALES[name]
    at = place(clip)
    return at is not None and _within(value, at, read)


def _is_there(what: str, clip: Planned) -> bool:
    there: Mapping[str, object] = {
        "log": clip.logged,
        "finding": clip.finding,
        "tag": clip.names("tag"),
        "person": clip.names("person"),
        "moment": clip.moment is not None,
        "rating": clip.own("rating"),
        "day": clip.day,
    }
    return bool(there[what])


def _rating_of(clip: Planned) -> int | None:
    rating = clip.own("rating")
    return None if rating is None else RATINGS.index(rating)


_SCALES: dict[str, tuple[Callable[[Planned], int | None], Callable[[str], int]]] = {
    "rating": (_rating_of, lambda text: RATINGS.index(RATED_AS[text])),
    "day": (lambda clip: clip.day, int),
    "duration": (lambda clip: clip.seconds, lambda text: int(text.rstrip("s"))),
}


def _within(value: Value, at: int, read: Callable[[str], int]) -> bool:
    if isinstance(value, Exactly):
        return at == read(value.text)
    if isinstance(value, Beyond):
        return at > read(value.text) if value.above else at < read(value.text)
    above = value.low is None or at >= read(value.low)
    return above and (value.high is None or at <= read(value.high))


# -- the same in a catalogue ------------------------------------------------------------------------


def write_catalogue(
    session: Session, planned: Sequence[Planned], vocabulary: Vocabulary
) -> tuple[Production, dict[int, Planned]]:
    """A production with these clips; the clips by id."""
    production = make_production(session)
    days = {number: make_day(session, production, number=number) for number in (1, 2, 3)}
    tags = {name: make_tag(session, production, name) for name in set(NAMES["tag"].values())}
    people = {name: make_person(session, production, name) for name in set(NAMES["person"].values())}
    reel = make_reel(session, production)
    clips: dict[int, Planned] = {}
    for one in planned:
        clip = make_clip(
            session,
            reel,
            day_id=None if one.day is None else days[one.day].id,
            frames=None if one.seconds is None else 25 * one.seconds,
        )
        clips[clip.id] = one
        if one.logged:
            make_entry(
                session, clip, tags=[tags[name] for name in one.tags],
                people=[people[name] for name in one.people],
                kind=one.kind, size=one.size, rating=one.rating, note=" ".join(one.note),
            )  # fmt: skip
        if one.moment is not None:
            moment = Moment(clip_id=clip.id, in_frame=0, out_frame=5)
            session.add(moment)
            session.flush()
            of_moment = [tags[name] for name in one.moment_tags]
            session.add(LogEntry(moment_id=moment.id, tags=of_moment, note=" ".join(one.moment)))
        if one.voice is not None:
            make_channel(session, clip, person_id=people[one.voice].id)
        if one.finding:
            make_finding(session, clip)
    session.flush()
    refresh_text(session, clips, vocabulary)
    return production, clips
