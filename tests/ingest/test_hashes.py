"""Every hash we offer against numbers that others published, whole and in pieces, and against other tools."""

from __future__ import annotations

import hashlib
import json
import shutil
import string
import subprocess
from pathlib import Path
from typing import Any

import pytest

from ingest.hashes import ALGORITHMS, c4_of, c4_text, make_hasher
from shared.errors import UsageError

VECTORS: dict[str, Any] = json.loads((Path(__file__).with_name("xxhash_vectors.json")).read_text())
PIECES = (1, 7, 13, 64, 251, 1024)


def _buffer() -> bytes:
    """The bytes that the published vectors hash prefixes of; the rule stands in the file of vectors."""
    state, multiplier = int(VECTORS["buffer"]["prime32"]), int(VECTORS["buffer"]["prime64"])
    made = bytearray()
    for _ in range(VECTORS["buffer"]["length"]):
        made.append(state >> 56)
        state = state * multiplier % 2**64
    assert hashlib.sha256(made).hexdigest() == VECTORS["buffer"]["sha256"]
    return bytes(made)


BUFFER = _buffer()


def digest(algorithm: str, data: bytes, piece: int | None = None) -> str:
    hasher = make_hasher(algorithm)
    for start in range(0, len(data), piece or max(len(data), 1)):
        hasher.update(memoryview(data)[start : start + (piece or len(data))])
    return hasher.hexdigest()


@pytest.mark.parametrize(
    ("algorithm", "vector"),
    [(name, vector) for name, vectors in VECTORS["vectors"].items() for vector in vectors],
    ids=lambda value: value if isinstance(value, str) else f"{value['length']}-{value['origin']}",
)
def test_published_values_of_the_xxhash_family(algorithm: str, vector: dict[str, Any]) -> None:
    """Seed 0 of the tables that stand in the xxHash repository; see xxhash_vectors.json for the source."""
    data = BUFFER[: vector["length"]]
    assert digest(algorithm, data) == vector["hash"]
    for piece in PIECES:
        assert digest(algorithm, data, piece) == vector["hash"]


def test_all_tables_are_there_and_hold_published_values() -> None:
    published = {
        name: sum(vector["origin"] == "published" for vector in vectors)
        for name, vectors in VECTORS["vectors"].items()
    }
    assert published == {"xxh64": 5, "xxh3": 14, "xxh128": 13}


# RFC 1321, appendix A.5.
MD5 = {
    "": "d41d8cd98f00b204e9800998ecf8427e",
    "a": "0cc175b9c0f1b6a831c399e269772661",
    "abc": "900150983cd24fb0d6963f7d28e17f72",
    "message digest": "f96b697d7cb7938d525a2f31aaf161d0",
    string.ascii_lowercase: "c3fcd3d76192e4007dfb496cca67e13b",
    string.ascii_uppercase + string.ascii_lowercase + string.digits: "d174ab98d277d9f5a5611c2c9f419d9f",
    "1234567890" * 8: "57edf4a22be3c955ac49da2e2107b67a",
}
# FIPS 180-1, appendices A to C (its worked examples), and the empty message of the NIST test vectors.
SHA1 = {
    "": "da39a3ee5e6b4b0d3255bfef95601890afd80709",
    "abc": "a9993e364706816aba3e25717850c26c9cd0d89d",
    "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": "84983e441c3bd26ebaae4aa1f95129e5e54670f1",
    "a" * 1_000_000: "34aa973cd4c4daa4f61eeb2bdbad27316534016f",
}


@pytest.mark.parametrize(
    ("algorithm", "text", "expected"),
    [(name, *pair) for name, table in (("md5", MD5), ("sha1", SHA1)) for pair in table.items()],
    ids=lambda value: value[:12],
)
def test_published_values_of_md5_and_sha1(algorithm: str, text: str, expected: str) -> None:
    data = text.encode()
    assert digest(algorithm, data) == expected
    assert digest(algorithm, data, 4093) == expected


# --- C4 ----------------------------------------------------------------------------------------------------

# Published with the reference implementation of SMPTE ST 2114 (the identifiers of "" and "foo").
C4_OF_NOTHING = "c459dsjfscH38cYeXXYogktxf4Cd9ibshE3BHUo6a58hBXmRQdZrAkZzsWcbWtDg5oQstpDuni4Hirj75GEmTc1sFT"
C4_OF_FOO = "c45xZeXwMSpqXjpDumcHMA6mhoAmGHkUo7r9WmN2UgSEQzj9KjgseaQdkEJ11fGb5S1WEENcV3q8RFWwEeVpC7Fjk2"


def c4_by_definition(data: bytes) -> str:
    """SMPTE ST 2114 in the plainest way: "c4", then SHA-512 as a number of base 58, 88 digits, "1" for zero.

    Written from the definition, by long division over the digest's bytes, and not from the code under test.
    """
    alphabet = [c for c in string.digits + string.ascii_uppercase + string.ascii_lowercase if c not in "0OIl"]
    number = list(hashlib.sha512(data).digest())
    digits = ""
    while any(number):
        remainder = 0
        for place, byte in enumerate(number):
            number[place], remainder = divmod(remainder * 256 + byte, 58)
        digits = alphabet[remainder] + digits
    return "c4" + digits.rjust(88, alphabet[0])


def test_published_values_of_c4() -> None:
    assert digest("c4", b"") == C4_OF_NOTHING == c4_by_definition(b"")
    assert digest("c4", b"foo", 1) == C4_OF_FOO == c4_by_definition(b"foo")


@pytest.mark.parametrize("length", [0, 1, 2, 63, 64, 65, 127, 128, 1000, 4161])
def test_c4_is_what_its_definition_says(length: int) -> None:
    data = BUFFER[:length]
    assert digest("c4", data) == c4_of(data) == c4_by_definition(data)
    assert digest("c4", data, 13) == c4_by_definition(data)


def test_c4_at_the_ends_of_its_range() -> None:
    assert c4_text(bytes(64)) == "c4" + "1" * 88
    highest = c4_text(b"\xff" * 64)
    assert len(highest) == 90
    assert highest[2] != "1"  # the digits suffice for the largest digest and none is spare


# --- other tools -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("algorithm", "flag"), [("xxh64", "-H1"), ("xxh128", "-H2")])
def test_xxhsum_reads_our_sums(tmp_path: Path, algorithm: str, flag: str) -> None:
    if shutil.which("xxhsum") is None:
        pytest.skip("xxhsum is not installed (package xxhash)")
    lines = []
    for length in (0, 1, 17, 241, 4161):
        (tmp_path / f"file {length}").write_bytes(BUFFER[:length])
        lines.append(f"{digest(algorithm, BUFFER[:length])}  file {length}\n")
    (tmp_path / "sums").write_text("".join(lines))
    check = ["xxhsum", flag, "--check", "sums"]
    checked = subprocess.run(check, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stdout + checked.stderr
    (tmp_path / "file 241").write_bytes(BUFFER[:240] + b"!")
    assert subprocess.run(check, cwd=tmp_path, capture_output=True, check=False).returncode != 0


@pytest.mark.parametrize(("algorithm", "tool"), [("md5", "md5sum"), ("sha1", "sha1sum")])
def test_coreutils_agree(tmp_path: Path, algorithm: str, tool: str) -> None:
    if shutil.which(tool) is None:
        pytest.skip(f"{tool} is not installed (package coreutils)")
    (tmp_path / "file").write_bytes(BUFFER)
    said = subprocess.run([tool, tmp_path / "file"], capture_output=True, text=True, check=True).stdout
    assert said.split()[0] == digest(algorithm, BUFFER)


def test_an_unknown_hash_is_refused_with_the_list() -> None:
    with pytest.raises(UsageError) as caught:
        make_hasher("crc32")
    for algorithm in ALGORITHMS:
        assert algorithm in str(caught.value)
