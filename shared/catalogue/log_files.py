"""The log as a file: CSV (RFC 4180) or JSON Lines, one record a clip and one a moment; in JSON Lines also
one a transcript.

A record says which clip it is about by the hash and the size of the clip's first file, so that it means the
same clip on every machine that offloaded the same card. What stands only for people to read ("reel", "clip",
"day", "start", "length") is not looked at when a file is read.
"""

from __future__ import annotations

import csv
import difflib
import io
import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Any

from shared.catalogue.assignments import LIST_FIELDS, SetNames, SetValue, parse_assignments
from shared.catalogue.transcript_log import Carried, read_carried
from shared.errors import UsageError
from shared.query_fields import TERM_FIELDS, TEXT_FIELDS
from shared.safe_cells import guard_cell, unguard_cell
from shared.vocabulary import Vocabulary
from shared.words import find_unusable, show_short

IDENTITY = ("hash", "bytes")  # `size` is that of the shot
FOR_READING = ("reel", "clip", "day", "start", "length")
RANGE = ("in", "out", "moment")
SAID = (*TERM_FIELDS, *TEXT_FIELDS, *LIST_FIELDS, "lens")
COLUMNS = (*IDENTITY, *FOR_READING, *RANGE, *SAID)
TRANSCRIPT = "transcript"  # of JSON Lines only
FORMATS = (".csv", ".jsonl")

_BOM = b"\xef\xbb\xbf"
_HASH = re.compile(r"[a-z0-9]{2,16}:[A-Za-z0-9]{8,100}")
_NUMBER = re.compile(r"[0-9]{1,18}")
_LONGEST_NAME = 200  # of a moment
_MOST_FAULTS = 20

Value = str | tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Record:
    """What one line says of a clip or one of its moments, or what is said in it. Empty fields are left out.

    `hash`: algorithm and value, "xxh128:…"; empty when the line has none. `range`: in and out in frames
    from the clip's first, out exclusive; None: the line is about the clip. `values`: codes of the vocabulary,
    texts, names; `name` is the moment's. `known`: what stands for people to read. `transcript`: of the clip
    or of a part of it, and then the line is about nothing else.
    """

    line: int
    hash: str
    size: int
    range: tuple[int, int] | None
    values: Mapping[str, Value]
    name: str = ""
    known: Mapping[str, str] | None = None
    transcript: Carried | None = None

    def place(self, column: str) -> str:
        return f"line {self.line}, {column}"


@dataclass(frozen=True, slots=True)
class Fault:
    """Something in a file that can't be read: where, and what is wrong."""

    place: str
    message: str


class FaultyFileError(UsageError):
    """A file with faults, all of them (the first in the message)."""

    def __init__(self, path: PurePath, faults: list[Fault]) -> None:
        shown = [f"{fault.place}: {fault.message}" for fault in faults[:_MOST_FAULTS]]
        if len(faults) > _MOST_FAULTS:
            shown.append(f"and {len(faults) - _MOST_FAULTS} more")
        super().__init__(
            "\n  ".join(shown), path=str(path), remedy="Nothing was changed. Mend the file and try again."
        )
        self.faults = tuple(faults)


def check_format(path: Path) -> str:
    """The file's kind by its name. Raises UsageError."""
    kind = path.suffix.lower()
    if kind not in FORMATS:
        raise UsageError("its name must end in .csv or .jsonl", path=str(path), remedy="Choose another name.")
    return kind


# -- writing ----------------------------------------------------------------------------------------


def write_records(kind: str, records: Iterable[Record]) -> Iterator[bytes]:
    """The pieces of a file of this kind."""
    if kind == ".csv":
        yield _BOM + _csv_line(COLUMNS)  # with the mark spreadsheets read the accents right
        for record in records:
            fields = _fields_of(record)
            yield _csv_line([_cell(fields.get(name, "")) for name in COLUMNS])
    else:
        for record in records:
            fields = {name: value for name, value in _fields_of(record).items() if value not in ("", ())}
            yield json.dumps(fields, ensure_ascii=False).encode("utf-8", "backslashreplace") + b"\n"


def _fields_of(record: Record) -> dict[str, Any]:
    fields: dict[str, Any] = {"hash": record.hash, "bytes": record.size, **(record.known or {})}
    if record.range is not None:
        fields |= {"in": record.range[0], "out": record.range[1], "moment": record.name}
    if record.transcript is not None:
        fields[TRANSCRIPT] = json.loads(record.transcript.text)
    return fields | dict(record.values)


def _cell(value: object) -> str:
    if isinstance(value, int):
        return str(value)
    return guard_cell(join_names(value) if isinstance(value, tuple) else str(value))


def _csv_line(cells: Iterable[str]) -> bytes:
    line = io.StringIO(newline="")
    csv.writer(line, lineterminator="\r\n").writerow(cells)
    return line.getvalue().encode("utf-8", "backslashreplace")


def join_names(names: Iterable[str]) -> str:
    """Names as `rushlight log` takes them: between commas, in quotation marks where one has a comma."""
    line = io.StringIO(newline="")
    csv.writer(line, lineterminator="").writerow(names)
    return line.getvalue()


# -- reading ----------------------------------------------------------------------------------------


def read_records(path: Path, vocabulary: Vocabulary) -> list[Record]:
    """All records of a file. Raises FaultyFileError that names line and column of whatever can't be read."""
    kind = check_format(path)
    faults: list[Fault] = []
    try:
        with path.open("rb") as file:
            rows = _csv_rows(file, faults) if kind == ".csv" else _json_rows(file, faults)
            records = [
                record
                for line, row in rows
                if (record := _read_record(line, row, vocabulary, faults)) is not None
            ]
    except OSError as error:
        raise UsageError(
            f"can't be read: {error.strerror}", path=str(path), remedy="Is it the right file?"
        ) from error
    if faults:
        raise FaultyFileError(path, faults)
    return records


@dataclass(frozen=True, slots=True)
class _Field:
    place: str  # "column 4 (kind)", or of JSON the name alone
    value: Value


def _lines(file: Iterable[bytes], faults: list[Fault]) -> Iterator[str]:
    """The lines as text; what is no UTF-8 ends the file, as nothing after it could be placed."""
    for number, data in enumerate(file, start=1):
        try:
            yield (data.removeprefix(_BOM) if number == 1 else data).decode()
        except UnicodeDecodeError as error:
            faults.append(Fault(f"line {number}, byte {error.start + 1}", "this is no UTF-8"))
            return


def _csv_rows(file: Iterable[bytes], faults: list[Fault]) -> Iterator[tuple[int, dict[str, _Field]]]:
    reader = csv.reader(_lines(file, faults), strict=True)
    header: list[str] | None = None
    line = 1
    try:
        for cells in reader:
            begins, line = line, reader.line_num + 1
            if not cells:
                continue
            if header is None:
                header = [cell.strip().lower() for cell in cells]
                if not _check_header(header, faults):
                    return
            elif len(cells) != len(header):
                faults.append(Fault(f"line {begins}", f"{len(cells)} cells, the head has {len(header)}"))
            else:
                yield (
                    begins,
                    {
                        name: _Field(f"column {number} ({name})", unguard_cell(cell))
                        for number, (name, cell) in enumerate(zip(header, cells, strict=True), start=1)
                    },
                )
    except csv.Error as error:
        faults.append(Fault(f"line {line}", f"not comma-separated values: {error}"))
    if header is None and not faults:
        faults.append(Fault("line 1", "there is no head with the names of the columns"))


def _check_header(header: list[str], faults: list[Fault]) -> bool:
    before = len(faults)
    if len(header) == 1 and ";" in header[0]:
        faults.append(Fault("line 1", "the columns stand between semicolons: save it with commas"))
        return False
    for number, name in enumerate(header, start=1):
        place = f"line 1, column {number}"
        if name not in COLUMNS:
            faults.append(Fault(place, _unknown(name)))
        elif name in header[: number - 1]:
            faults.append(Fault(place, f"there is a column {name} already"))
    faults += [Fault("line 1", f"there is no column {name}") for name in IDENTITY if name not in header]
    return len(faults) == before


def _json_rows(file: Iterable[bytes], faults: list[Fault]) -> Iterator[tuple[int, dict[str, _Field]]]:
    for line, text in enumerate(_lines(file, faults), start=1):
        if not text.strip():
            continue
        try:
            value = json.loads(text, object_pairs_hook=_once)
        except json.JSONDecodeError as error:
            faults.append(Fault(f"line {line}, column {error.colno}", f"not JSON: {error.msg}"))
            continue
        except (ValueError, RecursionError) as error:
            faults.append(Fault(f"line {line}", f"not JSON that can be read: {error}"))
            continue
        if not isinstance(value, dict):
            faults.append(Fault(f"line {line}", "this is no object"))
            continue
        fields = {name: _json_field(line, name, one, faults) for name, one in value.items()}
        yield line, {name: field for name, field in fields.items() if field is not None}


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    if len({name for name, _ in pairs}) < len(pairs):
        raise ValueError("a name stands there twice")
    return dict(pairs)


def _json_field(line: int, name: str, value: object, faults: list[Fault]) -> _Field | None:
    place = f"line {line}, {show_short(name)[1:-1]}"
    if name == TRANSCRIPT:
        return _Field(name, json.dumps(value))
    if name not in COLUMNS:
        faults.append(Fault(place, _unknown(name)))
    elif value is None or name in FOR_READING:
        return None
    elif isinstance(value, list) and name in LIST_FIELDS and all(isinstance(one, str) for one in value):
        return _Field(name, tuple(value))
    elif isinstance(value, str) or (isinstance(value, int) and not isinstance(value, bool)):
        return _Field(name, str(value))
    else:
        faults.append(Fault(place, "this must be a text" + (" or a list of texts" * (name in LIST_FIELDS))))
    return None


def _unknown(name: str) -> str:
    near = difflib.get_close_matches(name[:60], COLUMNS, n=1)
    hint = f"did you mean {near[0]}?" if near else f"there are: {', '.join(COLUMNS)}"
    return f"there is no field {show_short(name)}; {hint}"


# -- one record -------------------------------------------------------------------------------------


def _read_record(
    line: int, row: Mapping[str, _Field], vocabulary: Vocabulary, faults: list[Fault]
) -> Record | None:
    before = len(faults)

    def refuse(name: str, message: str) -> None:
        faults.append(Fault(f"line {line}, {row[name].place}" if name in row else f"line {line}", message))

    def text(name: str) -> str:
        value = row[name].value if name in row else ""
        return value.strip() if isinstance(value, str) else ""

    key, size = text("hash"), text("bytes")
    if key and not _HASH.fullmatch(key):
        refuse("hash", f"{show_short(key)} is no hash, such as xxh128:0123…")
    if key and not _NUMBER.fullmatch(size):
        refuse("bytes", f"{show_short(size)} is no number of bytes")
    ends = [text(name) for name in RANGE[:2]]
    for name, end in zip(RANGE, ends, strict=False):
        if end and not _NUMBER.fullmatch(end):
            refuse(name, f"{show_short(end)} is no number of frames")
    if bool(ends[0]) != bool(ends[1]):
        refuse("in", "a moment needs both in and out")
    name = " ".join(text("moment").split())
    if len(name) > _LONGEST_NAME or find_unusable(name) is not None:
        refuse("moment", f"{show_short(name)} can't be a moment's name")
    values: dict[str, Value] = {}
    for field in SAID:
        if field in row and row[field].value:
            try:
                value = _read_value(field, row[field].value, vocabulary)
            except UsageError as error:
                refuse(field, error.message)
                continue
            if value:
                values[field] = value
    if ends[0] and "lens" in values:
        refuse("lens", "a moment has no lens of its own")
    if name and not ends[0]:
        refuse("moment", "a moment needs both in and out")
    transcript = None
    if TRANSCRIPT in row:
        try:
            transcript = read_carried(json.loads(str(row[TRANSCRIPT].value)))
        except UsageError as error:
            refuse(TRANSCRIPT, error.message)
        if values or ends[0]:
            refuse(TRANSCRIPT, "it stands on a line of its own")
    if len(faults) > before:
        return None
    span = (int(ends[0]), int(ends[1])) if ends[0] else None
    if span is not None and span[1] <= span[0]:
        refuse("out", f"{span[0]} to {span[1]} is no range; out is exclusive")
        return None
    known = {one: str(row[one].value) for one in FOR_READING if one in row}
    return Record(line, key, int(size) if key else 0, span, values, name, known, transcript)


def _read_value(field: str, value: Value, vocabulary: Vocabulary) -> Value:
    """Read as `rushlight log` would. Raises UsageError."""
    typed = join_names(value) if isinstance(value, tuple) else value
    (change,) = parse_assignments([f"{field}={typed}"], vocabulary)
    if isinstance(change, SetNames):
        return change.names
    assert isinstance(change, SetValue)
    return change.value or ""
