"""A kept report gives back every file, packed or not."""

from __future__ import annotations

import base64
import json
import zlib
from typing import Any

import pytest

from shared.catalogue.kept_reports import FILES, MANY, PACKED, pack_files, unpacked


def files_of(count: int) -> list[dict[str, Any]]:
    return [
        {"path": f"DCIM/Fähre 🎬 \\x{n:04x}\u2028\n.MOV", "size": n, "hash": {"value": f"{n:032x}"}}
        for n in range(count)
    ]


@pytest.mark.parametrize("count", [0, 1, MANY, MANY + 1, 5 * MANY])
def test_files_come_back_as_they_were(count: int) -> None:
    files = files_of(count)
    kept = json.loads(json.dumps({"reel": "A001", **pack_files(files), "state": "done"}))
    assert (PACKED in kept) == (count > MANY)
    assert unpacked(kept) == {"reel": "A001", FILES: files, "state": "done"}
    assert list(unpacked(kept)) == ["reel", FILES, "state"]


def test_a_report_that_lists_no_files_stays_so() -> None:
    assert unpacked({}) == {}
    assert unpacked({"turned_away": "busy"}) == {"turned_away": "busy"}


def test_any_program_can_read_a_packed_report() -> None:
    """zlib (RFC 1950) in base64 (RFC 4648), one file's JSON a line: read with the standard library alone."""
    files = files_of(MANY + 1)
    text = zlib.decompress(base64.b64decode(pack_files(files)[PACKED]))
    assert [json.loads(line) for line in text.split(b"\n") if line] == files


def test_packed_files_take_a_fraction_of_the_room() -> None:
    files = files_of(20 * MANY)
    assert len(pack_files(files)[PACKED]) < len(json.dumps(files)) / 8
