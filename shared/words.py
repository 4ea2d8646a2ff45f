"""Words as a search sees them: folded, split on everything that is no letter, digit or sign.

The same splitting writes what a clip is found by and reads what a person looks for, so the
database's own rules for words never decide anything. Nothing here knows the database.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Sequence

_ASCII_WORD = re.compile(r"[0-9a-z]+")
_WORD = re.compile(r"[^\W_]+")
# Letters to every database, and never typed: `split_words` drops them. They are LINEAR B SYLLABLE B008 A,
# B038 E, B028 I, B061 O and B010 U.
BOUNDARY = "\U00010000"  # stands between two texts, so that no phrase is found across them
SAID = "\U00010001"  # before the stem of a word that a person wrote of a clip
KNOWN = "\U00010002"  # before that of a word which comes with it: another name of a term, a camera's kind
SPOKEN = "\U00010003"  # before that of a word which is heard in it, by its transcript
HEARD = "\U00010004"  # before such a word itself
_MARKS = frozenset((BOUNDARY, SAID, KNOWN, SPOKEN, HEARD))


def split_words(text: str) -> list[str]:
    """The words of a text: NFKD without combining marks, case-folded (Unicode TR 15, chapter 3.13 of
    the standard). A sign such as an emoji is a word of its own, spelled "u1f3ac". May be empty.
    """
    if text.isascii():
        return _ASCII_WORD.findall(text.lower())
    return _WORD.findall("".join(map(_spell, unicodedata.normalize("NFKD", text))).casefold())


def find_words(text: str) -> list[tuple[int, int, str]]:
    """The words of `split_words`, each with its place in the text: first character, one past the last."""
    pieces = ["".join(map(_spell, unicodedata.normalize("NFKD", one))).casefold() for one in text]
    places = [place for place, piece in enumerate(pieces) for _ in piece]
    found = []
    for word in _WORD.finditer("".join(pieces)):
        end = places[word.end() - 1] + 1
        while end < len(text) and unicodedata.combining(text[end]):  # an accent written as a sign of its own
            end += 1
        found.append((places[word.start()], end, word[0]))
    return found


def _spell(character: str) -> str:
    if character in _MARKS:
        return " "
    if unicodedata.combining(character):
        return ""
    if unicodedata.category(character) == "So":
        return f" u{ord(character):x} "
    return character


def find_runs(words: Sequence[str], run: Sequence[str], prefix: bool = False) -> Iterator[tuple[int, int]]:
    """First and last place of each occurrence of words in a row. `prefix`: the last may go on."""
    if not run:
        return
    for first in range(len(words) - len(run) + 1):
        part = words[first : first + len(run)]
        ends = part[-1].startswith(run[-1]) if prefix else part[-1] == run[-1]
        if ends and part[:-1] == list(run[:-1]):
            yield first, first + len(run) - 1


def fold_name(text: str) -> str:
    """The key under which names are compared; a name without a word is its own key."""
    return " ".join(split_words(text)) or text


def find_unusable(text: str) -> int | None:
    """Where the first character stands that no database can be asked for: a control or half a pair."""
    for place, character in enumerate(text):
        if unicodedata.category(character) in ("Cc", "Cs") and not character.isspace():
            return place
    return None


def show_short(text: str, longest: int = 60) -> str:
    """What was typed, quoted and shortened, with control characters shown and not sent to a terminal."""
    return repr(text if len(text) <= longest else text[: longest - 1] + "…")
