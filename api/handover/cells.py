"""Comma-separated values by RFC 4180, with cells that no spreadsheet runs.

UTF-8 with a byte order mark: without it spreadsheets commonly read the file in an old local encoding, and
names lose their accents. Readers that don't expect the mark want the encoding "utf-8-sig".
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from decimal import Decimal

from api.handover.text import plain_text

Value = str | int | Decimal | tuple[str, ...] | None
BOM = b"\xef\xbb\xbf"
BETWEEN = "; "  # between the values of one cell

# What makes a spreadsheet take a cell for a formula (OWASP, "CSV Injection"; CWE-1236), full-width and small
# forms included, wherever only blanks, quotes or unseen characters stand before it.
_STARTS = "=+\\-@＝＋－＠﹦﹢﹣﹫−"
_UNSEEN = "\\s\"'`´‘’“”„«»\u00ad\u180e\u200b-\u200f\u2060\ufeff\x00-\x1f"
_RUNS = re.compile(rf"[\t\r\x00]|[{_UNSEEN}]*[{_STARTS}]")
# In countries with a decimal comma, spreadsheets split at semicolons; a cell that was none begins there.
_RUNS_INSIDE = re.compile(rf"([;\n])([^\S\n]*[\"'‘’“”]*)(?=[{_STARTS}])")


def cell_text(value: Value) -> str:
    """What stands in the cell. Text that could run gets an apostrophe before it; numbers never do."""
    if value is None:
        return ""
    if isinstance(value, tuple):
        value = BETWEEN.join(value)
    if isinstance(value, str):
        return _neutralise(value)
    return str(value)


def _neutralise(text: str) -> str:
    guard = "'" if _RUNS.match(text) else ""
    # RFC 4180 has no control in a field but CR and LF, so a tab becomes a space.
    return guard + _RUNS_INSIDE.sub(r"\1'\2", plain_text(text).replace("\t", " "))


def write_record(values: Iterable[Value]) -> bytes:
    """One record with its CRLF. Text is quoted and quotes in it are doubled; numbers stand bare."""
    return (",".join(map(_quote, values)) + "\r\n").encode("utf-8", "backslashreplace")


def _quote(value: Value) -> str:
    text = cell_text(value)
    if value is None or isinstance(value, int | Decimal):
        return text
    return '"' + text.replace('"', '""') + '"'


def write_table(header: Sequence[str], rows: Iterable[Sequence[Value]]) -> Iterable[bytes]:
    """The pieces of a whole file: mark, header, one record a row."""
    yield BOM
    yield write_record(header)
    for row in rows:
        yield write_record(row)
