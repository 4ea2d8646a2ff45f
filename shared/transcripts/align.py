"""Times of words when a text is corrected: pure, on frames."""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from shared.words import split_words


@dataclass(frozen=True, slots=True)
class TimedWord:
    """A word with its frames, the end exclusive, and the source's own microseconds; None: worked out here."""

    text: str
    start: int
    end: int
    start_us: int | None = None
    end_us: int | None = None


def realign(words: Sequence[TimedWord], text: str, start: int, end: int) -> list[TimedWord]:
    """The words of a corrected text. One that stays the same, whatever its case and the signs around it,
    keeps its times; those that took another's place share the time of what they replace, and new ones that
    between their neighbours, by their length. `start` and `end`: the cue's frames.
    """
    tokens = text.split()
    matcher = difflib.SequenceMatcher(
        a=[_key(word.text) for word in words], b=[_key(token) for token in tokens], autojunk=False
    )
    found: list[TimedWord] = []
    for tag, first, last, new_first, new_last in matcher.get_opcodes():
        new = tokens[new_first:new_last]
        if tag == "equal":
            kept = zip(words[first:last], new, strict=True)
            found += [TimedWord(token, w.start, w.end, w.start_us, w.end_us) for w, token in kept]
        elif tag == "replace":
            found += spread(new, words[first].start, words[last - 1].end)
        elif tag == "insert":
            begin = words[first - 1].end if first > 0 else start
            found += spread(new, begin, words[first].start if first < len(words) else end)
    return found


def spread(tokens: Sequence[str], start: int, end: int) -> list[TimedWord]:
    """Words one after the other over a range of frames, each with a share by its number of characters."""
    end = max(start, end)
    total = sum(map(len, tokens))
    found: list[TimedWord] = []
    said = 0
    for token in tokens:
        begin = start + (end - start) * said // total
        said += len(token)
        found.append(TimedWord(token, begin, start + (end - start) * said // total))
    return found


def stretch(words: Sequence[TimedWord], old: tuple[int, int], new: tuple[int, int]) -> list[TimedWord]:
    """The words of a cue that was moved from some frames to others: in proportion. The source's own
    microseconds are no longer theirs."""
    length, wanted = old[1] - old[0], new[1] - new[0]

    def moved(frame: int) -> int:
        return new[0] + (min(max(frame, old[0]), old[1]) - old[0]) * wanted // length

    return [TimedWord(word.text, moved(word.start), moved(word.end)) for word in words]


def _key(token: str) -> str:
    return " ".join(split_words(token)) or unicodedata.normalize("NFC", token)
