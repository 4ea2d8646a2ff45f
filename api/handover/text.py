"""Text of the log and of the card, made fit to be read: no control code reaches a page, a cell or a line."""

from __future__ import annotations

import unicodedata
from fractions import Fraction

from shared.models import Clip, File
from shared.names import display

# Marks that turn the direction of what follows, and so make a text read as another one (Unicode TR 36, 3).
_OVERRIDES = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
_UNSEEN = frozenset(("Cc", "Cs", "Zl", "Zp"))


def plain_text(text: str) -> str:
    """The text with line breaks as "\\n" and tabs kept, other controls and overrides as \\uNNNN."""
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    if text.isprintable():
        return text
    return "".join(map(_show, text))


def one_line(text: str) -> str:
    """As `plain_text`, with every run of blanks and line breaks as one space."""
    return " ".join(plain_text(text).split())


def _show(character: str) -> str:
    hidden = character in _OVERRIDES or unicodedata.category(character) in _UNSEEN
    if not hidden or character in "\n\t":
        return character
    point = ord(character)
    return f"\\u{point:04x}" if point <= 0xFFFF else f"\\U{point:08x}"


def file_name(file: File) -> str:
    """The name on the card, with its suffix and without its folders, as people are shown it."""
    return display(file.path_bytes.rsplit(b"/", 1)[-1])


def short_name(clip: Clip) -> str:
    """A clip's name without the card's folders."""
    return one_line(clip.name.rsplit("/", 1)[-1])


def full_name(clip: Clip) -> str:
    """Reel and name: no other clip of the production has both, save one in another folder of the card."""
    return f"{one_line(clip.reel.name)}/{short_name(clip)}"


def round_ms(seconds: Fraction) -> str:
    """Seconds with three decimals, halves up, from the exact fraction: "12.480"."""
    milliseconds = (2000 * seconds.numerator + seconds.denominator) // (2 * seconds.denominator)
    return f"{milliseconds // 1000}.{milliseconds % 1000:03d}"


def say_length(seconds: Fraction) -> str:
    """A length for people: "8.4 s", "2 min 5 s", "1 h 2 min"."""
    tenths = int(seconds * 10 + Fraction(1, 2))
    if tenths < 600:
        return f"{tenths // 10}.{tenths % 10} s"
    whole = int(seconds + Fraction(1, 2))
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s" if whole % 60 else f"{whole // 60} min"
    minutes = (whole + 30) // 60
    return f"{minutes // 60} h {minutes % 60} min"
