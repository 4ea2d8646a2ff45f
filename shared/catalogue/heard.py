"""Where words are heard: the place in a clip, and the words around it."""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate

from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.models import Clip, ClipCue, ClipTranscript, Production
from shared.query import Exactly, Match, Query, Words
from shared.stems import stem_words
from shared.words import HEARD, SPOKEN, find_runs, find_words, split_words

FIELD = "says"
_NEAR = 120  # characters in which several words count as said together

Span = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Heard:
    """The text of a whole transcript with spans of characters to mark, from the place where most of the words
    are said together; `cue` and `frame`: where that begins in the clip."""

    text: str
    spans: tuple[Span, ...]
    cue: int
    frame: int


def spoken_terms(query: Query) -> list[str]:
    """What `says:` asks for, in any form; what must not be said has no place to show."""
    return [
        value.text
        for term in query.terms
        if isinstance(term, Match) and term.field == FIELD and not term.negated
        for value in term.values
        if isinstance(value, Exactly)
    ]


def read_heard(
    session: Session, clip_ids: Sequence[int], words: Sequence[Words], spoken: Sequence[str]
) -> dict[int, Heard]:
    """Where these words are heard, by clip id. Cues are read only of transcripts that hold one of them."""
    rows = (
        select(ClipTranscript.id, ClipTranscript.words, Production.language)
        .join(Clip, Clip.id == ClipTranscript.clip_id)
        .join(Production, Production.id == Clip.production_id)
        .where(ClipTranscript.clip_id.in_(clip_ids))
    )
    languages: dict[int, str] = {}
    for key, stored, language in session.execute(rows):
        if _may_hold(f" {stored} ", words, spoken, language):
            languages[key] = language
    if not languages:
        return {}
    cues: dict[int, list[tuple[int, int, int, str]]] = defaultdict(list)
    wanted = select(ClipCue.transcript_id, ClipCue.clip_id, ClipCue.id, ClipCue.start_frame, ClipCue.text)
    mine = wanted.where(ClipCue.transcript_id.in_(languages))
    for transcript, clip, number, frame, text in session.execute(
        mine.order_by(ClipCue.transcript_id, ClipCue.start_frame, ClipCue.id)
    ):
        cues[transcript].append((clip, number, frame, text))
    found: dict[int, Heard] = {}
    for transcript, listed in cues.items():
        heard = _hear(listed, words, spoken, languages[transcript])
        if heard is not None:
            found.setdefault(listed[0][0], heard)
    return found


def _may_hold(stored: str, words: Sequence[Words], spoken: Sequence[str], language: str) -> bool:
    looked_for = [(one.text, "" if one.prefix else " ") for one in words] + [(text, " ") for text in spoken]
    for text, end in looked_for:
        if f" {' '.join(HEARD + word for word in split_words(text))}{end}" in stored:
            return True
    return any(
        f" {' '.join(SPOKEN + stem for stem in stem_words(text, language))} " in stored
        for text in (*spoken, *(one.text for one in words if not (one.exact or one.prefix)))
    )


def _hear(
    cues: Sequence[tuple[int, int, int, str]], words: Sequence[Words], spoken: Sequence[str], language: str
) -> Heard | None:
    """`cues`: clip, number, first frame, text."""
    text = " ".join(cue[3] for cue in cues)
    hits = sorted(
        (span, number) for number, spans in _find(text, words, spoken, language).items() for span in spans
    )
    if not hits:
        return None
    first = max(range(len(hits)), key=lambda at: (_together(hits, at), -at))
    begins = [0, *accumulate(len(cue[3]) + 1 for cue in cues)]
    _, number, frame, _ = cues[bisect_right(begins, hits[first][0][0]) - 1]
    return Heard(text, tuple(span for span, _ in hits[first:]), number, frame)


def _together(hits: Sequence[tuple[Span, int]], at: int) -> int:
    """How many of the words are said from here on without much between them."""
    near: set[int] = set()
    for span, number in hits[at:]:
        if span[0] - hits[at][0][0] > _NEAR:
            break
        near.add(number)
    return len(near)


def _find(text: str, words: Sequence[Words], spoken: Sequence[str], language: str) -> Mapping[int, set[Span]]:
    """Spans by the place of what was looked for."""
    places = find_words(text)
    written = [word for _, _, word in places]
    stems = stem_words(text, language)
    runs: dict[int, set[Span]] = defaultdict(set)
    for number, one in enumerate(words):
        runs[number] |= set(find_runs(written, split_words(one.text), one.prefix))
        if not (one.exact or one.prefix):
            runs[number] |= set(find_runs(stems, stem_words(one.text, language)))
    for number, said in enumerate(spoken, len(words)):
        runs[number] |= set(find_runs(written, split_words(said)))
        runs[number] |= set(find_runs(stems, stem_words(said, language)))
    return {
        number: {(places[first][0], places[last][1]) for first, last in found}
        for number, found in runs.items()
    }
