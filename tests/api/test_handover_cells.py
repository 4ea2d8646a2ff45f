"""Cells and records: RFC 4180 to the letter, and nothing that a spreadsheet would run."""

from __future__ import annotations

import pytest

from api.handover.cells import cell_text, write_record


def parse_strictly(data: bytes) -> list[list[str]]:
    """Read records by the grammar of RFC 4180, section 2, letter by letter; anything else is refused.

    TEXTDATA is the RFC's (space to tilde without quote and comma), and beyond ASCII any UTF-8.
    """
    text = data.decode("utf-8")
    records: list[list[str]] = [[]]
    place = 0

    def is_textdata(letter: str) -> bool:
        return letter not in '",' and (" " <= letter <= "~" or letter >= "\x80")

    while place < len(text):
        field = []
        if text[place] == '"':
            place += 1
            while True:
                letter = text[place]
                if text[place : place + 2] == '""':
                    field.append('"')
                    place += 2
                elif letter == '"':
                    place += 1
                    break
                else:
                    assert is_textdata(letter) or letter in ",\r\n", f"{letter!r} inside quotes"
                    field.append(letter)
                    place += 1
        else:
            while text[place] not in ",\r":
                assert is_textdata(text[place]), f"{text[place]!r} in a bare field"
                field.append(text[place])
                place += 1
        records[-1].append("".join(field))
        if text[place] == ",":
            place += 1
            continue
        assert text[place : place + 2] == "\r\n", f"a record ends in {text[place : place + 2]!r}"
        place += 2
        records.append([])
    assert records.pop() == [], "the last record has no line break"
    return records


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        # OWASP, "CSV Injection": the signs, tab, carriage return; ASVS 5 adds NUL. CWE-1236.
        ("=1+1", "'=1+1"),
        ("+1", "'+1"),
        ("-1", "'-1"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\t1", "' 1"),
        ("\r1", "'\n1"),
        ("\x001", "'\\u00001"),
        # The full-width and small forms that a spreadsheet in East Asia takes for the same.
        ("＝1", "'＝1"),
        ("＋1", "'＋1"),
        ("－1", "'－1"),
        ("＠A", "'＠A"),
        ("﹦1", "'﹦1"),
        # Behind what is not seen, or dropped when read.
        ("  =1", "'  =1"),
        ("\u00a0=1", "'\u00a0=1"),
        ("\u200b=1", "'\u200b=1"),
        ("\ufeff=1", "'\ufeff=1"),
        ('"=1"', '\'"=1"'),
        ("'=1", "''=1"),
        ("\n=1", "'\n'=1"),
        # Where a spreadsheet splits at semicolons, a new cell begins inside ours.
        ("a;=cmd", "a;'=cmd"),
        ("a; -1", "a;' -1"),
        ("a\n@b", "a\n'@b"),
        ('a;"=1', "a;'\"=1"),
        # And these are left as they are.
        ("a=1", "a=1"),
        ("01:00:00;02", "01:00:00;02"),
        ("half-way", "half-way"),
        ("", ""),
    ],
)
def test_cells_are_neutralised(text: str, cell: str) -> None:
    assert cell_text(text) == cell
    assert parse_strictly(write_record([text, "next"])) == [[cell, "next"]]


def test_numbers_we_typed_stay_numbers() -> None:
    assert write_record([-12, None, ("a", "-b")]) == b'-12,,"a;\' -b"\r\n'
