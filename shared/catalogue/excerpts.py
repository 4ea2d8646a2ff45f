"""Why a clip was found: pieces of its texts with the words that were looked for marked.

An excerpt is plain text in pieces, never markup: who shows it says how a hit looks and escapes every piece.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy.orm import Session

from shared.catalogue.chunks import in_chunks
from shared.catalogue.conditions import plain_words
from shared.catalogue.heard import FIELD, Heard, read_heard, spoken_terms
from shared.catalogue.known_texts import ClipKnown, Origin, Text, read_known
from shared.catalogue.text import index_terms
from shared.query import Query, Words, parse_query
from shared.stems import stem_words
from shared.vocabulary import Term, Vocabulary
from shared.words import find_runs, find_words, split_words

MOST_EXCERPTS = 2  # of one clip
LONGEST = 160  # characters of one excerpt, the signs of what was left out not counted
_LEAD = 40  # characters before the first hit
_CUT = "…"


@dataclass(frozen=True, slots=True)
class Piece:
    text: str
    hit: bool  # one of the words that were looked for


@dataclass(frozen=True, slots=True)
class Excerpt:
    """A part of one text. `field` says of which: a field of the query language, "moment", "microphone",
    "speaker" or "file". Joined, the pieces are the text itself, with "…" where it was cut.

    Of what is heard (`says`) also where: the number of the cue, and the clip's frame at which that begins.
    """

    field: str
    pieces: tuple[Piece, ...]
    cue: int | None = None
    frame: int | None = None

    def as_json(self) -> dict[str, Any]:
        pieces = [{"text": piece.text, "hit": piece.hit} for piece in self.pieces]
        where = {} if self.cue is None else {"cue": self.cue, "frame": self.frame}
        return {"field": self.field, "pieces": pieces, **where}


def read_excerpts(
    session: Session,
    clip_ids: Sequence[int],
    query: str | Query,
    vocabulary: Vocabulary,
    *,
    most: int = MOST_EXCERPTS,
) -> dict[int, tuple[Excerpt, ...]]:
    """Excerpts of these clips, by clip id: the texts that hold most of the query's words, and among equals
    what a person said before names; then the place where most of them are heard. A query without words has
    none.

    Raises QueryError for text that is no query.
    """
    parsed = parse_query(query) if isinstance(query, str) else query
    wanted, spoken = plain_words(parsed), spoken_terms(parsed)
    if not (wanted or spoken):
        return {}
    terms = index_terms(vocabulary)
    found: dict[int, tuple[Excerpt, ...]] = {}
    for chunk in in_chunks(clip_ids):
        heard = read_heard(session, chunk, wanted, spoken)
        for clip_id, known in read_known(session, chunk).items() if wanted else ():
            found[clip_id] = _excerpts(known, terms, wanted, most)
        for clip_id, one in heard.items():
            found[clip_id] = (*found.get(clip_id, ()), _excerpt_of(one))
    return found


def _excerpt_of(heard: Heard) -> Excerpt:
    return Excerpt(FIELD, cut_pieces(heard.text, heard.spans), heard.cue, heard.frame)


def _excerpts(
    known: ClipKnown, terms: Mapping[tuple[str, str], Term], wanted: Sequence[Words], most: int
) -> tuple[Excerpt, ...]:
    """Texts until every word has been shown, `most` at most; of two that show the same, the first."""
    texts = sorted(known.all_texts(terms), key=lambda one: list(Origin).index(one.origin))
    found = [(text, hits) for text in texts if (hits := _find(text, wanted, known.language))]
    shown: set[int] = set()
    chosen: list[Excerpt] = []
    while found and len(chosen) < most:
        text, hits = max(found, key=lambda one: len(set(one[1]) - shown))
        if not set(hits) - shown:
            break
        shown |= set(hits)
        chosen.append(
            Excerpt(text.field, cut_pieces(text.text, [span for one in hits.values() for span in one]))
        )
        found.remove((text, hits))
    return tuple(chosen)


def _find(text: Text, wanted: Sequence[Words], language: str) -> dict[int, list[tuple[int, int]]]:
    """Where words stand in a text: by their place in `wanted`, spans of characters."""
    places = find_words(text.text)
    written = [word for _, _, word in places]
    stems = stem_words(text.text, language) if text.origin.has_stems else written
    hits: dict[int, list[tuple[int, int]]] = {}
    for number, words in enumerate(wanted):
        looked_for = split_words(words.text)
        runs = set(find_runs(written, looked_for, words.prefix))
        if not (words.exact or words.prefix) and text.origin.has_stems:
            runs |= set(find_runs(stems, stem_words(words.text, language)))
        if runs:
            hits[number] = [(places[first][0], places[last][1]) for first, last in sorted(runs)]
    return hits


def cut_pieces(text: str, hits: Sequence[tuple[int, int]], longest: int = LONGEST) -> tuple[Piece, ...]:
    """The part of a text around its first hit, in pieces. `hits`: spans of characters, at least one."""
    spans = _merge(hits)
    start, end = _window(text, spans[0][0], longest)
    pieces = [Piece(_CUT, hit=False)] if start > 0 else []
    at = start
    for first, last in spans:
        first, last = max(first, at), min(last, end)
        if first >= last:
            continue
        pieces += [Piece(text[at:first], hit=False)] if first > at else []
        pieces.append(Piece(text[first:last], hit=True))
        at = last
    pieces += [Piece(text[at:end], hit=False)] if end > at else []
    pieces += [Piece(_CUT, hit=False)] if end < len(text) else []
    return tuple(pieces)


def _window(text: str, hit: int, longest: int) -> tuple[int, int]:
    """Whole words where there is a blank to cut at."""
    if len(text) <= longest:
        return 0, len(text)
    start = max(0, min(hit - _LEAD, len(text) - longest), hit + 1 - longest)
    if start > 0:
        blank = text.find(" ", start, hit)
        start = start if blank < 0 else blank + 1
    end = min(len(text), start + longest)
    if end < len(text):
        blank = text.rfind(" ", hit + 1, end)
        end = end if blank < 0 else blank
    return start, end


def _merge(spans: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    merged: list[tuple[int, int]] = []
    for first, last in sorted(spans):
        if merged and first <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(last, merged[-1][1]))
        else:
            merged.append((first, last))
    return merged
