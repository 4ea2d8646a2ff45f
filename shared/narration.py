"""How long a narration takes to speak: its words as they are said, by the narrator's words a minute.

Figures, dates, times and abbreviations take more words than they look; they are counted as spoken. The words
of numbers come from a library; a language that it lacks counts a figure as one word a digit, which is said.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any

# "1,250", "1.250,5", "12.5", "1 250" (no-break), "05:40", "21st", "1990s", "45%", "€12", "§3" …
_NUMBER = re.compile(r"[0-9]+(?:[.,:'’\u00a0\u202f][0-9]+)*")
_TOKEN = re.compile(r"\S+")
_TIME = re.compile(r"([01]?[0-9]|2[0-3])[:.]([0-5][0-9])")
_DECIMAL_COMMA = {
    "da",
    "de",
    "es",
    "fi",
    "fr",
    "id",
    "it",
    "nb",
    "nl",
    "nn",
    "no",
    "pl",
    "pt",
    "ru",
    "sv",
    "tr",
}
_SIGNS = "%€$£¥°&+=§№"  # each is spoken as a word
_LETTERS = re.compile(r"[^\W\d_]+(?:['’][^\W\d_]+)*")
_MOST_DIGITS = 15


@dataclass(frozen=True, slots=True)
class Spoken:
    """`words`: how many are spoken. `guessed`: figures that no rule of this language could read."""

    words: int
    guessed: tuple[str, ...] = ()

    def seconds(self, pace: Fraction | int) -> Fraction:
        """At so many words a minute: 100 words at 150 take 40 s."""
        return Fraction(self.words * 60) / Fraction(pace)


def count_spoken(text: str, language: str) -> Spoken:
    """The words of a text as they are read aloud. `language`: a tag (RFC 5646), as of the production."""
    reader = _Reader(language.strip().lower().replace("_", "-"))
    text = unicodedata.normalize("NFC", text)
    shouted = text.upper() == text  # all in capitals: no abbreviation can be told from a word
    words = sum(reader.count(token, shouted) for token in _TOKEN.findall(text))
    return Spoken(words, tuple(reader.guessed))


def pace_of(readings: list[tuple[int, int]]) -> Fraction | None:
    """Words a minute of recorded readings, each as words and milliseconds; None: none was recorded."""
    words, milliseconds = sum(one for one, _ in readings), sum(one for _, one in readings)
    return Fraction(words * 60_000, milliseconds) if words and milliseconds else None


class _Reader:
    def __init__(self, language: str) -> None:
        self._language = language
        self._base = language.split("-")[0]
        self.guessed: list[str] = []

    def count(self, token: str, shouted: bool) -> int:
        """Words of one piece between blanks."""
        total, at = 0, 0
        for found in _NUMBER.finditer(token):
            total += self._letters(token[at : found.start()], shouted)
            at = found.end()
            total += self._number(found[0], token[at : at + 2])
        total += sum(token.count(sign) for sign in _SIGNS)
        total += self._letters(token[at:], shouted, after_number=at > 0)
        return total or int(any(map(str.isalnum, token)))  # figures of other scripts, fractions

    def _letters(self, text: str, shouted: bool, *, after_number: bool = False) -> int:
        words = _LETTERS.findall(text)
        if after_number and words and words[0].lower() in _ENDINGS:
            words = words[1:]  # the ending of "21st" or "1990s" is spoken with it
        return sum(self._word(word, shouted) for word in words)

    def _word(self, word: str, shouted: bool) -> int:
        """An abbreviation is spelled: "BBC" is three words; "NATO" has vowels enough to be one."""
        spelled = 2 <= len(word) <= 5 and word.isupper() and not shouted
        vowels = sum(unicodedata.normalize("NFD", letter)[0] in "AEIOUYÆØŒ" for letter in word)
        return len(word) if spelled and vowels * 3 <= len(word) else 1

    def _number(self, text: str, behind: str) -> int:
        if (clock := _TIME.fullmatch(text)) and ":" in text:
            parts = [clock[1], *([clock[2]] if int(clock[2]) else [])]
            return sum(self._say(Decimal(part), "cardinal", part) for part in parts) + (not int(clock[2]))
        number = self._decimal(text)
        if number is None:
            return sum(self._say(Decimal(part), "cardinal", part) for part in re.findall("[0-9]+", text))
        if text.isdigit() and len(text) == 4 and 1100 <= number <= 2099:
            return self._say(number, "year", text)
        ordinal = behind.lower() in ("st", "nd", "rd", "th")
        return self._say(number, "ordinal" if ordinal else "cardinal", text)

    def _decimal(self, text: str) -> Decimal | None:
        """A number with the marks of this language; None: not one number, such as a date or a version."""
        mark, group = (",", ".") if self._base in _DECIMAL_COMMA else (".", ",")
        plain = re.sub(r"['’\u00a0\u202f]", "", text)
        if re.fullmatch(rf"[0-9]{{1,3}}(?:{re.escape(group)}[0-9]{{3}})+(?:{re.escape(mark)}[0-9]+)?", plain):
            plain = plain.replace(group, "")
        plain = plain.replace(mark, ".") if plain.count(mark) <= 1 else plain
        return Decimal(plain) if re.fullmatch(r"[0-9]+(\.[0-9]+)?", plain) else None

    def _say(self, number: Decimal, to: str, text: str) -> int:
        digits = [one for one in text if one.isdigit()]
        if len(digits) > _MOST_DIGITS:
            return len(digits)  # spelled, as a telephone number
        said = self._ask(number, to) or self._ask(number, "cardinal")
        if said is None:
            self.guessed.append(text)
            return len(digits)
        return len(re.findall(r"[^\W\d_]+", said))  # a hyphen joins two words that are both spoken

    def _ask(self, number: Decimal, to: str) -> str | None:
        say = _library()
        value: Any = int(number) if number == number.to_integral_value() else number
        for language in dict.fromkeys(
            (self._language.replace("-", "_"), self._base, _KIN.get(self._base, ""))
        ):
            if not language:
                continue
            try:
                return str(say(value, lang=language, to=to))
            except (NotImplementedError, TypeError, ValueError, KeyError, IndexError, OverflowError):
                continue  # the library has not this language, or not this form of it
        return None


_ENDINGS = {"st", "nd", "rd", "th", "s", "er", "re", "e", "è", "ème", "te", "ste"}
_KIN = {"nb": "no", "nn": "no"}  # as the library calls them


def _library() -> Callable[..., Any]:
    """Loaded when first needed: it takes a moment, and most commands count no words."""
    from num2words import num2words

    return num2words  # type: ignore[no-any-return]
