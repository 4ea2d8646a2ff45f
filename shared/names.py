"""File names as a card has them, and as people, databases and hash lists can carry them.

A name on a card is bytes, and hostile until shown otherwise: not always UTF-8, with line breaks,
escape codes or direction marks in it. The bytes are the identity; `display` is what is shown.
"""

from __future__ import annotations

import os
import unicodedata

# Direction overrides and isolates can make a name read as another one (Unicode TR 36, section 3).
_BIDI = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
# Names that a Windows file system keeps for devices (published naming rules of that system).
_RESERVED = frozenset(
    ["con", "prn", "aux", "nul", *(f"com{n}" for n in range(1, 10)), *(f"lpt{n}" for n in range(1, 10))]
)


def display(raw: bytes) -> str:
    """The name for people: printable, on one line, and never equal for two different byte strings.

    A byte that is no UTF-8, a control, a direction mark or a line separator becomes \\xNN or \\uNNNN;
    a backslash is then doubled, so that no name can pretend to be another's escape.
    """
    text = raw.decode("utf-8", "surrogateescape")
    if text.isprintable() and "\\" not in text:
        return text
    return "".join(_show(character) for character in text)


def _show(character: str) -> str:
    point = ord(character)
    if character == "\\":
        return "\\\\"
    if 0xDC80 <= point <= 0xDCFF:
        return f"\\x{point - 0xDC00:02x}"
    if character == " " or (character.isprintable() and character not in _BIDI):
        return character
    return f"\\u{point:04x}" if point <= 0xFFFF else f"\\U{point:08x}"


def fold(raw: bytes, *, case: bool = True, form: bool = True) -> str:
    """The key under which a drive would keep the name that is blind to case, to Unicode form, or to both."""
    text = raw.decode("utf-8", "surrogateescape")
    if form:
        text = unicodedata.normalize("NFC", text)
    if case:
        text = text.casefold()
    return unicodedata.normalize("NFC", text) if form else text


def unportable(raw: bytes) -> str | None:
    """Why a part of this relative path can't be kept by some drives, or None. Published FAT/NTFS rules."""
    for part in raw.decode("utf-8", "surrogateescape").split("/"):
        if part.split(".")[0].casefold() in _RESERVED:
            return f"{display(os.fsencode(part))} is a reserved name on some drives"
        if part.endswith((".", " ")):
            return f"{display(os.fsencode(part))} ends in a dot or a space, which some drives drop"
        if any(character in '<>:"\\|?*' or ord(character) < 32 for character in part):
            return f"{display(os.fsencode(part))} has a character that some drives refuse"
    return None


def xml_safe(raw: bytes) -> str | None:
    """The name as XML 1.0 text, or None where XML can't carry it (section 2.2 of the recommendation)."""
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        return None
    if all(
        c in "\t\n\r" or "\x20" <= c <= "\ud7ff" or "\ue000" <= c <= "\ufffd" or c >= "\U00010000"
        for c in text
    ):
        # A reader normalises these three, so they would come back as another name.
        return None if any(c in "\t\n\r" for c in text) else text
    return None
