"""The words that clips are found by: written after an offload and after every change of the log."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache

from sqlalchemy import insert, select, update
from sqlalchemy.orm import Session

from shared.catalogue.chunks import in_chunks
from shared.catalogue.known_texts import ClipKnown, Origin, read_known
from shared.catalogue.word_search import short_words
from shared.models import ClipText, ClipTranscript
from shared.stems import stem_words
from shared.vocabulary import Term, Vocabulary
from shared.words import BOUNDARY, HEARD, KNOWN, SAID, SPOKEN, split_words

AT_ONCE = 500  # clips whose words are in memory at one time
_MARKS = {Origin.SAID: SAID, Origin.KNOWN: KNOWN}  # a name is looked for as it is written and has no stems


def clip_words(known: ClipKnown, vocabulary: Vocabulary) -> str:
    """The words of one clip: its texts, and each term's code, label and aliases (save those that
    deny something), all folded; then the stems of what was said and of what comes with it. Between two
    texts stands a boundary, so that no phrase is found across.
    """
    return _join_words(known, index_terms(vocabulary))


def refresh_text(session: Session, clip_ids: Iterable[int], vocabulary: Vocabulary) -> int:
    """Write the words of these clips anew, in the caller's transaction; return how many had changed.

    Wanted after every change of what `known_texts` reads: names, entries of the clip and its moments, tags,
    people, channels. `vocabulary` is the production's, see `terms.production_vocabulary`.
    """
    terms = index_terms(vocabulary)
    changed = 0
    for chunk in in_chunks(clip_ids, AT_ONCE):
        known = read_known(session, chunk)
        heard = _read_spoken(session, chunk)
        words = {key: _join((_join_words(one, terms), *heard.get(key, ()))) for key, one in known.items()}
        changed += _write_words(session, words)
    return changed


def spoken_words(texts: Iterable[str], language: str) -> str:
    """What a transcript adds to its clip's words: all its cues in a row, as they are written and as stems, so
    that a phrase is found where one cue ends and the next begins.
    """
    said = list(texts)
    written = " ".join(HEARD + word for text in said for word in short_words(split_words(text)))
    stems = " ".join(phrase for text in said if (phrase := _stem_phrase(text, language, SPOKEN)))
    return _join((written, stems))


def _read_spoken(session: Session, clip_ids: Sequence[int]) -> dict[int, list[str]]:
    """Kept with each transcript: an hour of speech is stemmed when it changes, not at every edit of a log."""
    rows = (
        select(ClipTranscript.clip_id, ClipTranscript.words)
        .where(ClipTranscript.clip_id.in_(clip_ids))
        .order_by(ClipTranscript.part)
    )
    found: dict[int, list[str]] = defaultdict(list)
    for clip_id, words in session.execute(rows):
        found[clip_id].append(words)
    return found


def index_terms(vocabulary: Vocabulary) -> Mapping[tuple[str, str], Term]:
    return {(term.field, term.code): term for term in vocabulary.all_terms}


def _join_words(known: ClipKnown, terms: Mapping[tuple[str, str], Term]) -> str:
    texts = known.all_texts(terms)
    phrases = dict.fromkeys(_fold_phrase(one.text) for one in texts)
    stems: dict[str, None] = {}
    for origin, mark in _MARKS.items():
        stems |= dict.fromkeys(
            _stem_phrase(one.text, known.language, mark) for one in texts if one.origin is origin
        )
    return _join(phrases | stems)


def _join(phrases: Iterable[str]) -> str:
    return f" {BOUNDARY} ".join(phrase for phrase in phrases if phrase)


# Most texts stand on many clips: a term, a camera, a place.
@lru_cache(maxsize=4096)
def _fold_phrase(text: str) -> str:
    return " ".join(short_words(split_words(text)))


@lru_cache(maxsize=4096)
def _stem_phrase(text: str, language: str, mark: str) -> str:
    return " ".join(mark + stem for stem in short_words(stem_words(text, language)))


def _write_words(session: Session, words: Mapping[int, str]) -> int:
    """Insert or update, never replace: SQLite fires no delete trigger for a row that is replaced, and
    the index would keep the old words.
    """
    stored = select(ClipText.clip_id, ClipText.words).where(ClipText.clip_id.in_(words))
    present = dict(session.execute(stored).all())
    new = [{"clip_id": key, "words": text} for key, text in words.items() if key not in present]
    other = [{"clip_id": key, "words": text} for key, text in words.items() if present.get(key, text) != text]
    if new:
        session.execute(insert(ClipText), new)
    if other:
        session.execute(update(ClipText), other)  # by primary key
    return len(new) + len(other)
