"""The six hash formats of a hash list, their text and their bytes (specification, appendix D).

Hex is lower case, as the specification's examples have it. `FORMATS` is in the order that the schema
makes compulsory inside one record.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ingest.hashes import c4_text

_C4_ALPHABET = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"
_C4_VALUES = {character: number for number, character in enumerate(_C4_ALPHABET)}
_C4 = re.compile(rf"c4[{_C4_ALPHABET}]{{88}}")
_HEX = re.compile(r"[0-9a-f]+")


@dataclass(frozen=True, slots=True)
class Format:
    """`characters` of the text, `octets` of the value behind it."""

    characters: int
    octets: int


FORMATS: Mapping[str, Format] = {
    "c4": Format(90, 64),
    "md5": Format(32, 16),
    "sha1": Format(40, 20),
    "xxh128": Format(32, 16),
    "xxh3": Format(16, 8),
    "xxh64": Format(16, 8),
}
_NUMBER_OF = {name: number for number, name in enumerate(FORMATS)}
_NAME_OF = tuple(FORMATS)


def value_problem(algorithm: str, value: str) -> str | None:
    """Why this can't be a value of this format, or None."""
    if algorithm not in FORMATS:
        return f"{algorithm} is not one of {', '.join(FORMATS)}"
    expected = FORMATS[algorithm].characters
    if len(value) != expected:
        return f"a value of {algorithm} has {expected} characters, this has {len(value)}"
    if algorithm != "c4":
        return None if _HEX.fullmatch(value) else f"{value} is not lower-case hex"
    if not _C4.fullmatch(value) or _c4_number(value) >> 512:
        return f"{value} is not a C4 identifier"
    return None


def octets_of(algorithm: str, value: str) -> bytes:
    """The bytes behind a value that `value_problem` found nothing wrong with."""
    if algorithm == "c4":
        return _c4_number(value).to_bytes(64, "big")
    return bytes.fromhex(value)


def text_of(algorithm: str, octets: bytes) -> str:
    return c4_text(octets) if algorithm == "c4" else octets.hex()


def pack(values: Mapping[str, str]) -> bytes:
    """Several values of one file in as few bytes as they need: a number for the format, then its octets."""
    packed = bytearray()
    for algorithm, value in values.items():
        packed.append(_NUMBER_OF[algorithm])
        packed += octets_of(algorithm, value)
    return bytes(packed)


def unpack(packed: bytes) -> dict[str, str]:
    values: dict[str, str] = {}
    position = 0
    while position < len(packed):
        algorithm = _NAME_OF[packed[position]]
        end = position + 1 + FORMATS[algorithm].octets
        values[algorithm] = text_of(algorithm, packed[position + 1 : end])
        position = end
    return values


def in_schema_order(algorithms: Sequence[str]) -> list[str]:
    return sorted(algorithms, key=lambda name: _NUMBER_OF[name])


def _c4_number(value: str) -> int:
    number = 0
    for character in value[2:]:
        number = number * 58 + _C4_VALUES[character]
    return number
