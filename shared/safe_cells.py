"""Cells of a table that no spreadsheet runs as a formula, and back to the text they stand for, exactly.

A text that could run gets an apostrophe before it, and one after each semicolon or line break inside it
at which a reader with other separators would begin a cell (OWASP, "CSV Injection"; CWE-1236). Both rules
hold as well for a text that has such apostrophes of its own, so that taking them away again gives back
what was there.
"""

from __future__ import annotations

import re

_STARTS = "=+\\-@|%＝＋－＠﹦﹢﹣﹫−\\t\\r"
_UNSEEN = "\\s\"'`´‘’“”„«»\u00ad\u180e\u200b-\u200f\u2060\ufeff\x00-\x1f"
_RUNS = re.compile(rf"[{_UNSEEN}]*[{_STARTS}]")
_INSIDE = re.compile(rf"([;\r\n])(?=[{_UNSEEN}]*[{_STARTS}])")
_GUARDED_INSIDE = re.compile(rf"([;\r\n])'(?=[{_UNSEEN}]*[{_STARTS}])")


def guard_cell(text: str) -> str:
    """The text as a cell."""
    inside = _INSIDE.sub(r"\1'", text)
    return "'" + inside if _RUNS.match(inside) else inside


def unguard_cell(cell: str) -> str:
    """The text of a cell: `unguard_cell(guard_cell(text)) == text`, whatever the text."""
    inside = cell[1:] if cell[:1] == "'" and _RUNS.match(cell[1:]) else cell
    return _GUARDED_INSIDE.sub(r"\1", inside)
