"""Which clips may answer a wish, by the log's terms and words. A suggestion; a person confirms it.

Terms that contradict each other rule a clip out; terms that nobody logged say nothing. Words are compared by
their stems. How much each counts is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction

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
SIZES = ("els", "ls", "fs", "mls", "ms", "mcu", "cu", "bcu", "ecu")
CLOSE_DETAIL = frozenset(("insert", "ecu", "cu"))
_SHORTEST = 3  # letters of a word that is compared, in scripts with letters
_TERM, _WORDS = Fraction(2), Fraction(4)  # weights; that of the words is the least

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


def suggest(wish: Wish, pieces: Iterable[Piece], thresholds: Thresholds, stems: Stems) -> list[Suggestion]:
    """The likeliest first, from `suggest-percent` on."""
    wanted = stems(wish.what)
    found = []
    for piece in pieces:
        likeness = compare(wish, piece, wanted, stems)
        if likeness is not None and likeness.percent >= thresholds["suggest-percent"]:
            found.append(likeness)
    return sorted(found, key=lambda one: (-one.percent, one.piece.take.id, one.piece.key[1] or 0))


def compare(wish: Wish, piece: Piece, wanted: frozenset[str], stems: Stems) -> Suggestion | None:
    """How alike they are; None: something contradicts, or nothing is known of the piece."""
    if piece.moment is None and not piece.take.logged:
        return None
    have, of, why = Fraction(0), Fraction(0), []
    for name, agrees in _terms(wish, piece):
        of += _TERM
        if agrees is None:
            continue
        if not agrees:
            return None
        have += _TERM * agrees
        why.append(name)
    common = wanted & _words_of(piece, stems)
    if wanted:
        weight = max(_WORDS, of)  # what it is of is half of what a shot is, however many terms are wished
        of += weight
        have += weight * Fraction(len(common), len(wanted))
        why += [f"“{word}”" for word in sorted(common)]
    if not common and len(why) < 3:
        return None  # a size and a place alone are no likeness
    return Suggestion(piece, int(100 * have / of) if of else 0, tuple(why))


def _terms(wish: Wish, piece: Piece) -> list[tuple[str, Fraction | None]]:
    """What the wish states: how far the piece agrees, 0 for not; None: nobody said."""
    said = piece.said
    stated: list[tuple[str, Fraction | None]] = []
    if wish.kind:
        stated.append(("kind", _kind(wish.kind, said.kind)))
    if wish.size:
        stated.append(("size", _size(wish.size, said.size)))
    if wish.angle:
        stated.append(("angle", None if said.angle is None else Fraction(wish.angle == said.angle)))
    if wish.camera:
        stated.append(("camera", Fraction(wish.camera == piece.take.camera) if piece.take.camera else None))
    if wish.place:
        stated.append(("place", _place(wish.place, said.place)))
    if wish.people:
        named = {fold_name(one) for one in (*said.people, *piece.take.voices)}
        there = sum(fold_name(one) in named for one in wish.people)
        stated.append(("who", Fraction(there, len(wish.people)) if named else None))
    if wish.beat:
        alike = fold_name(wish.beat) == fold_name(said.beat)
        stated.append(("beat", Fraction(1) if alike else None))  # a shot may serve another beat
    return stated


def _kind(wanted: str, said: str | None) -> Fraction | None:
    if said is None:
        return None
    if wanted == said:
        return Fraction(1)
    return Fraction(1, 2) if said in KINDS.get(wanted, frozenset()) else Fraction(0)


def _size(wanted: str, said: str | None) -> Fraction | None:
    if said is None:
        return None
    if wanted == said:
        return Fraction(1)
    if {wanted, said} <= CLOSE_DETAIL:
        return Fraction(1, 2)
    if wanted in SIZES and said in SIZES:
        return Fraction(1, 2) if abs(SIZES.index(wanted) - SIZES.index(said)) == 1 else Fraction(0)
    return Fraction(0)


def _place(wanted: str, said: str) -> Fraction | None:
    if not said:
        return None
    one, other = set(fold_name(wanted).split()), set(fold_name(said).split())
    if one <= other or other <= one:
        return Fraction(1)
    return Fraction(1, 2) if one & other else Fraction(0)


def _words_of(piece: Piece, stems: Stems) -> frozenset[str]:
    said = piece.said
    name = piece.moment.name if piece.moment is not None else ""
    return stems(" ".join((said.subject, said.note, said.place, said.beat, name, *said.tags, *said.people)))


def content_words(stems: Iterable[str]) -> frozenset[str]:
    """Those that say something: neither short nor among the commonest of the languages written here."""
    return frozenset(one for one in stems if len(one) >= _SHORTEST and one not in _COMMON)
