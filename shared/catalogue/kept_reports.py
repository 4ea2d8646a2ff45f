"""An offload's report as its row keeps it: very many files are packed, or the row would fill the memory.

A row is read and written whole. A hundred thousand files are some 30 MB of JSON, and several times that while
they are written; packed they are some 3 MB. A few are kept as they are, for anybody to read.
"""

from __future__ import annotations

import base64
import json
import zlib
from collections.abc import Mapping, Sequence
from typing import Any

FILES = "files"
PACKED = "files_packed"  # base64 of zlib (RFC 1950) of one file's JSON a line
MANY = 1000


def pack_files(files: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """The part of a report that lists its files, to be kept."""
    if len(files) <= MANY:
        return {FILES: [dict(file) for file in files]}
    packer, packed = zlib.compressobj(), bytearray()
    for file in files:
        packed += packer.compress(json.dumps(file).encode() + b"\n")
    packed += packer.flush()
    return {PACKED: base64.b64encode(packed).decode()}


def unpacked(report: Mapping[str, Any]) -> dict[str, Any]:
    """A kept report with its files in a list, as the offload reported them."""
    if PACKED not in report:
        return dict(report)
    lines = zlib.decompress(base64.b64decode(report[PACKED])).splitlines()
    files = [json.loads(line) for line in lines]
    return {
        FILES if name == PACKED else name: files if name == PACKED else one for name, one in report.items()
    }
