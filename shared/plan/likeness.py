"""Which clips may answer a wish, by the log's terms and words. A suggestion; a person confirms it.

Terms that contradict each other rule a clip out; terms that nobody logged say nothing. Words are compared by
their stems. How much each counts is common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

from shared.plan.pieces import Piece
from shared.plan.thresholds import Thresholds
from shared.words import fold_name

# What a wish for a kind may be answered by: b-roll is whatever illustrates.
KINDS: Mapping[str, frozenset[str]] = {
    "b-roll": frozenset(
        ("b-roll", "establishing", "cutaway", "insert", "observed", "sequence", "timelapse", "slow-motion")
    ),
    "cutaway": frozenset(("cutaway", "insert", "reaction", "b-roll")),
    "insert": frozenset(("insert", "cutaway", "b-roll")),
    "establishing": frozenset(("establishing", "b-roll")),
    "observed": frozenset(("observed", "sequence", "b-roll")),
    "sequence": frozenset(("sequence", "observed", "b-roll")),
    "interview": frozenset(("interview", "a-roll")),
    "room-tone": frozenset(("room-tone", "ambience")),
    "ambience": frozenset(("ambience", "room-tone", "wild-track")),
}
# Sizes in their order from far to near: a neighbour is half as good, one further away contradicts.
_SIZES = ("els", "ls", "fs", "mls", "ms", "mcu", "cu", "bcu", "ecu")
_PLACE_OF = {size: place for place, size in enumerate(_SIZES)}
CLOSE_DETAIL = frozenset(("insert", "ecu", "cu"))
_SHORTEST = 3  # letters of a word that is compared, in scripts with letters
_TERM, _WORDS = 2, 4  # weights; that of the words is the least
_WHOLE, _HALF = 1000, 500  # agreement, in thousandths
_WRITTEN = re.compile(r"\w+")
_TERMS_ALONE = 3  # so many must agree where no word does

# Words that join others, in the stems of a few languages; any other language goes by the length alone.
_COMMON = frozenset(
    (
        *("the", "and", "for", "with", "from", "into", "over", "his", "her", "its", "their", "our", "one"),
        *("that", "this", "are", "was", "has", "have", "not", "but", "onto", "off", "out"),
        *("der", "die", "das", "und", "mit", "von", "den", "dem", "ein", "eine", "auf", "aus"),
        *("les", "des", "une", "avec", "dans", "pour", "sur", "los", "las", "una", "con", "por", "para"),
        *("med", "och", "ved", "det", "til", "fra", "som", "van", "het", "een", "met"),
    )
)

Stems = Callable[[str], frozenset[str]]


@dataclass(frozen=True, slots=True)
class Wish:
    """A wanted shot as the rules see it. `seconds`: usable ones wanted."""

    id: int
    code: str
    what: str
    need: str
    beat: str
    day: int | None
    kind: str | None
    size: str | None
    angle: str | None
    camera: str | None
    place: str
    people: tuple[str, ...]
    seconds: int
    dropped: str = ""
    words: str = ""


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A piece that may answer a wish. `percent`: how alike they are; `why`: what agrees."""

    piece: Piece
    percent: int
    why: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Traits:
    """A piece as it is compared: its words by their stems, and its names folded, once for all wishes."""

    piece: Piece
    words: frozenset[str]
    beat: str
    place: frozenset[str]
    people: frozenset[str]


def traits_of(pieces: Iterable[Piece], stems: Stems) -> list[Traits]:
    """Of each piece that somebody said something of."""
    found = []
    for piece in pieces:
        said = piece.said
        if piece.moment is None and not piece.take.logged:
            continue
        name = piece.moment.name if piece.moment is not None else ""
        text = " ".join((said.subject, said.note, said.place, said.beat, name, *said.tags, *said.people))
        people = frozenset(map(fold_name, (*said.people, *piece.take.voices)))
        place = frozenset(fold_name(said.place).split())
        found.append(Traits(piece, stems(text), fold_name(said.beat), place, people))
    return found


def suggest(wish: Wish, traits: Iterable[Traits], thresholds: Thresholds, stems: Stems) -> list[Suggestion]:
    """The likeliest first, from `suggest-percent` on."""
    wanted = _Wanted(
        wish,
        stems(wish.what),
        {stem: word for word in reversed(_WRITTEN.findall(wish.what)) for stem in stems(word)},
        fold_name(wish.beat) if wish.beat else "",
        frozenset(fold_name(wish.place).split()),
        frozenset(map(fold_name, wish.people)),
    )
    least = thresholds["suggest-percent"]
    found = (_compare(wanted, one) for one in traits)
    likely = (one for one in found if one is not None and one.percent >= least)
    return sorted(likely, key=lambda one: (-one.percent, one.piece.take.id, one.piece.key[1] or 0))


@dataclass(frozen=True, slots=True)
class _Wanted:
    wish: Wish
    words: frozenset[str]
    written: Mapping[str, str]  # as the wish has them, by their stems
    beat: str
    place: frozenset[str]
    people: frozenset[str]


def _compare(wanted: _Wanted, traits: Traits) -> Suggestion | None:
    """How alike they are; None: something contradicts, or too little agrees to be a likeness."""
    have, of, why = 0, 0, []
    for name, agrees in _terms(wanted, traits):
        of += _TERM
        if agrees is None:
            continue
        if not agrees:
            return None
        have += _TERM * agrees
        why.append(name)
    common = wanted.words & traits.words
    if not common and len(why) < _TERMS_ALONE:
        return None  # a size and a place alone are no likeness
    if wanted.words:
        weight = max(_WORDS, of)  # what it is of is half of what a shot is, however many terms are wished
        of += weight
        have += weight * _WHOLE * len(common) // len(wanted.words)
        why += [f"“{wanted.written.get(stem, stem)}”" for stem in sorted(common)]
    return Suggestion(traits.piece, 100 * have // (of * _WHOLE) if of else 0, tuple(why))


def _terms(wanted: _Wanted, traits: Traits) -> Iterator[tuple[str, int | None]]:
    """What the wish states: how far the piece agrees, 0 for not; None: nobody said. Cheapest first."""
    wish, piece, said = wanted.wish, traits.piece, traits.piece.said
    if wish.kind:
        yield "kind", _kind(wish.kind, said.kind)
    if wish.size:
        yield "size", _size(wish.size, said.size)
    if wish.angle:
        yield "angle", None if said.angle is None else _WHOLE * (wish.angle == said.angle)
    if wish.camera:
        yield "camera", _WHOLE * (wish.camera == piece.take.camera) if piece.take.camera else None
    if wanted.place:
        yield "place", _place(wanted.place, traits.place)
    if wanted.people:
        there = len(wanted.people & traits.people)
        yield "who", _WHOLE * there // len(wanted.people) if traits.people else None
    if wanted.beat:
        yield "beat", _WHOLE if wanted.beat == traits.beat else None  # a shot may serve another beat


def _kind(wanted: str, said: str | None) -> int | None:
    if said is None:
        return None
    if wanted == said:
        return _WHOLE
    return _HALF if said in KINDS.get(wanted, ()) else 0


def _size(wanted: str, said: str | None) -> int | None:
    if said is None:
        return None
    if wanted == said:
        return _WHOLE
    if wanted in CLOSE_DETAIL and said in CLOSE_DETAIL:
        return _HALF
    if wanted in _PLACE_OF and said in _PLACE_OF:
        return _HALF if abs(_PLACE_OF[wanted] - _PLACE_OF[said]) == 1 else 0
    return 0


def _place(wanted: frozenset[str], said: frozenset[str]) -> int | None:
    if not said:
        return None
    if wanted <= said or said <= wanted:
        return _WHOLE
    return _HALF if wanted & said else 0


def content_words(stems: Iterable[str]) -> frozenset[str]:
    """Those that say something: neither short nor among the commonest of the languages written here."""
    return frozenset(one for one in stems if len(one) >= _SHORTEST and one not in _COMMON)
