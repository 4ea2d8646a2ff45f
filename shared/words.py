"""Words as a search sees them: folded, split on everything that is no letter, digit or sign.

The same splitting writes what a clip is found by and reads what a person looks for, so the
database's own rules for words never decide anything. Nothing here knows the database.
"""

from __future__ import annotations

import re
import unicodedata

_ASCII_WORD = re.compile(r"[0-9a-z]+")
_WORD = re.compile(r"[^\W_]+")
# Stands between two texts, so that no phrase is found across them. A letter to every database,
# never typed: `split_words` drops it. LINEAR B SYLLABLE B008 A.
BOUNDARY = "\U00010000"


def split_words(text: str) -> list[str]:
    """The words of a text: NFKD without combining marks, case-folded (Unicode TR 15, chapter 3.13 of
    the standard). A sign such as an emoji is a word of its own, spelled "u1f3ac". May be empty.
    """
    if text.isascii():
        return _ASCII_WORD.findall(text.lower())
    return _WORD.findall("".join(map(_spell, unicodedata.normalize("NFKD", text))).casefold())


def _spell(character: str) -> str:
    if character == BOUNDARY:
        return " "
    if unicodedata.combining(character):
        return ""
    if unicodedata.category(character) == "So":
        return f" u{ord(character):x} "
    return character


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
