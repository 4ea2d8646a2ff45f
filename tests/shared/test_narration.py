"""Narration: words as they are spoken, and the time they take.

The spoken forms beside each text were written down by hand, word by word; they are the yardstick here. That
100 words at 150 a minute take 40 s is arithmetic.
"""

from __future__ import annotations

from fractions import Fraction

import pytest

from shared.narration import count_spoken, pace_of

SPOKEN = (
    ("en", "The river", "the river"),
    ("en", "its 212 crossings", "its two hundred and twelve crossings"),
    ("en", "in 1987", "in nineteen eighty seven"),
    ("en", "in 2005, at dawn", "in two thousand and five at dawn"),
    ("en", "the 21st boat", "the twenty first boat"),
    ("en", "in the 1990s", "in the nineteen nineties"),
    ("en", "At 05:40 sharp", "at five forty sharp"),
    ("en", "by 7:00", "by seven o'clock"),
    ("en", "1,250 cars", "one thousand two hundred and fifty cars"),
    ("en", "12.5 metres", "twelve point five metres"),
    ("en", "45% of them", "forty five per-cent of them"),
    ("en", "€12 a head", "twelve euros a head"),
    ("en", "The BBC and NATO", "the B B C and nato"),
    ("en", "half-open, don't!", "half open don't"),
    ("en", "THE BBC SAID", "the bbc said"),
    ("fr", "en 1987", "en mille neuf cent quatre vingt sept"),
    ("fr", "12,5 mètres", "douze virgule cinq mètres"),
    ("de", "21 Meter", "einundzwanzig Meter"),
    ("da", "2,5 meter", "to komma fem meter"),
    ("de-AT", "1.250 Autos", "eintausendzweihundertfünfzig Autos"),
)


@pytest.mark.parametrize(("language", "text", "spoken"), SPOKEN)
def test_words_are_counted_as_they_are_spoken(language: str, text: str, spoken: str) -> None:
    found = count_spoken(text, language)
    said = spoken.replace("per-cent", "percent").split()
    assert (found.words, found.guessed) == (len(said), ()), spoken


def test_a_hundred_words_at_150_take_forty_seconds() -> None:
    assert count_spoken("word " * 100, "en").seconds(150) == 40
    assert count_spoken("", "en").seconds(150) == 0


def test_a_language_without_rules_counts_figures_and_says_so() -> None:
    """Faroese is none of the library's languages."""
    found = count_spoken("ferjan fer 212 ferðir", "fo")
    assert (found.words, found.guessed) == (6, ("212",))


def test_nothing_that_looks_like_a_number_stops_it() -> None:
    for text in (
        "9" * 200,
        "1.2.3.4",
        "12:99",
        "0",
        "00:00",
        "٣",
        "½",
        "3/4",
        "1e9",
        "2026-05-12",
        "12-15 €",
    ):
        assert count_spoken(text, "en").words >= 1, text


def test_the_pace_is_what_the_recorded_lines_tell() -> None:
    assert pace_of([(30, 10_000), (40, 18_000)]) == Fraction(70 * 60_000, 28_000) == 150
    assert pace_of([]) is None and pace_of([(0, 1000)]) is None
