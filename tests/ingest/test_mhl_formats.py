"""Hash formats against their published definitions (ASC MHL specification, appendix D; SMPTE ST 2114)."""

from __future__ import annotations

import hashlib

import pytest
import xxhash
from hypothesis import given
from hypothesis import strategies as st

from ingest.hashes import c4_of, c4_text
from ingest.mhl.formats import FORMATS, in_schema_order, octets_of, pack, text_of, unpack, value_problem
from tests.ingest.mhl_support import EMPTY_C4, c4_by_hand


def test_c4_of_nothing_is_the_specification_s() -> None:
    # ASC MHL specification, appendix D: the C4 of zero bytes.
    assert c4_of(b"") == EMPTY_C4 == c4_by_hand(b"")
    assert value_problem("c4", EMPTY_C4) is None
    assert octets_of("c4", EMPTY_C4) == hashlib.sha512(b"").digest()


@given(st.binary(max_size=200))
def test_c4_both_ways(data: bytes) -> None:
    assert c4_of(data) == c4_by_hand(data)
    assert octets_of("c4", c4_of(data)) == hashlib.sha512(data).digest()


def test_lengths_are_those_of_the_algorithms() -> None:
    made = {
        "c4": c4_by_hand(b"x"),
        "md5": hashlib.md5(b"x").hexdigest(),
        "sha1": hashlib.sha1(b"x").hexdigest(),
        "xxh128": xxhash.xxh3_128_hexdigest(b"x"),
        "xxh3": xxhash.xxh3_64_hexdigest(b"x"),
        "xxh64": xxhash.xxh64_hexdigest(b"x"),
    }
    assert list(FORMATS) == list(made), "the order that the schema makes compulsory"
    for algorithm, value in made.items():
        assert value_problem(algorithm, value) is None
        assert text_of(algorithm, octets_of(algorithm, value)) == value
    assert unpack(pack(made)) == made


@pytest.mark.parametrize(
    ("algorithm", "value"),
    [
        ("md5", ""),
        ("md5", "0" * 31),
        ("md5", "0" * 33),
        ("md5", "g" * 32),
        ("md5", "A" * 32),  # lower case, as appendix D's examples have it
        ("sha1", "0" * 32),
        ("xxh128", " " + "0" * 31),
        ("xxh128", "0" * 31 + "\n"),
        ("xxh128", "٠" * 32),  # digits, but not ASCII
        ("xxh3", "0x" + "0" * 14),
        ("xxh64", "0" * 32),
        ("c4", "c4" + "0" * 88),  # no zero in the alphabet
        ("c4", EMPTY_C4[:-1]),
        ("c4", "C4" + EMPTY_C4[2:]),
        ("c4", "c4" + "z" * 88),  # more than 512 bits
        ("sha256", "0" * 64),
    ],
)
def test_malformed_values_are_refused(algorithm: str, value: str) -> None:
    assert value_problem(algorithm, value) is not None


def test_largest_c4_is_allowed() -> None:
    largest = c4_text(b"\xff" * 64)
    assert value_problem("c4", largest) is None
    assert octets_of("c4", largest) == b"\xff" * 64


def test_schema_order() -> None:
    assert in_schema_order(["xxh64", "md5", "xxh3", "c4"]) == ["c4", "md5", "xxh3", "xxh64"]
