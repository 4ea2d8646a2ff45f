"""The hashes a copy can be proven by.

xxh128 and xxh3 are the XXH3 function (128 and 64 bits), xxh64 the XXH64 function of the published xxHash
specification, seed 0, written as canonical big-endian hex. C4 is SMPTE ST 2114: "c4" and the SHA-512 of
the bytes in base 58. None but sha1 and c4 resists a person who wants to deceive, and sha1 hardly.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import Protocol, cast

import xxhash

from shared.errors import UsageError

_C4_ALPHABET = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"
_C4_DIGITS = 88  # 58**88 is the first power above 2**512


class Hasher(Protocol):
    """A running hash; `update` takes any bytes-like object and releases the interpreter lock."""

    def update(self, data: bytes | memoryview, /) -> None: ...
    def hexdigest(self) -> str: ...


class C4:
    """SMPTE ST 2114 identifier, 90 characters."""

    def __init__(self) -> None:
        self._sha512 = hashlib.sha512()

    def update(self, data: bytes | memoryview, /) -> None:
        self._sha512.update(data)

    def hexdigest(self) -> str:
        """The identifier; the name is the one all hashers share."""
        return c4_text(self._sha512.digest())


def c4_text(digest: bytes) -> str:
    """The 64 bytes of a SHA-512 as a C4 identifier."""
    number = int.from_bytes(digest, "big")
    characters = []
    for _ in range(_C4_DIGITS):
        number, digit = divmod(number, 58)
        characters.append(_C4_ALPHABET[digit])
    return "c4" + "".join(reversed(characters))


def c4_of(data: bytes) -> str:
    return c4_text(hashlib.sha512(data).digest())


_MAKERS: dict[str, Callable[[], Hasher]] = {
    "xxh128": lambda: cast(Hasher, xxhash.xxh3_128()),
    "xxh3": lambda: cast(Hasher, xxhash.xxh3_64()),
    "xxh64": lambda: cast(Hasher, xxhash.xxh64()),
    "md5": lambda: hashlib.md5(usedforsecurity=False),
    "sha1": lambda: hashlib.sha1(usedforsecurity=False),
    "c4": C4,
}
ALGORITHMS = tuple(_MAKERS)


def make_hasher(algorithm: str) -> Hasher:
    """A fresh hasher. Raises UsageError that lists the algorithms."""
    try:
        return _MAKERS[algorithm]()
    except KeyError:
        raise UsageError(
            f"no such hash: {algorithm}", remedy=f"Choose one of {', '.join(ALGORITHMS)}."
        ) from None
