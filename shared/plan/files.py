"""A plan as people write it: plain text, Markdown, or a table (CSV, RFC 4180).

    # The Chain Ferry                          a title, not read
    Day 2: the machine from close by           the goal of a shooting day
    ## Opening                                 a beat
    > At 05:40 the ferry leaves …              a narration line; `picture: …` below says what it needs
    - must: Hands on the wheel | size=cu who="Nell Harrowby" seconds=8      wanted for that line
    - [W7] nice: Gulls | origin=idea

What comes out is as it was typed, with the line it stood on; `merge.py` of the catalogue reads the values.
"""

from __future__ import annotations

import csv
import difflib
import io
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePath

from shared.catalogue.log_files import Fault, FaultyFileError
from shared.catalogue.plan_values import WISH_FIELDS
from shared.errors import UsageError
from shared.safe_cells import unguard_cell
from shared.words import find_unusable, show_short

FORMATS = (".md", ".txt", ".csv")
LARGEST = 4_000_000  # bytes; a plan of a thousand pages
CSV_COLUMNS = (*(name for name in WISH_FIELDS if name != "line"), "narration", "picture")

_LINE_END = re.compile(r"\r\n|\r|\n")  # those that editors count
_DAY = re.compile(r"\s*day\s+([0-9]{1,4})\s*:\s*(.*)", re.IGNORECASE)
_HEADING = re.compile(r"\s{0,3}(#{1,6})\s+(.*?)\s*#*\s*")
_BULLET = re.compile(r"\s*[-*+]\s+(?:\[( |x|[A-Za-z][A-Za-z0-9_.-]*)\]\s*)?(.*)")
_NEED = re.compile(r"(must|should|nice)\s*:\s*(.*)", re.IGNORECASE)
_PICTURE = re.compile(r"\s*picture\s*:\s*(.*)", re.IGNORECASE)
_CODE_AT_START = re.compile(r"\[([A-Za-z][A-Za-z0-9_.-]*)\]\s*(.*)", re.DOTALL)
_PAIR = re.compile(r'([A-Za-z_]+)=("(?:[^"]|"")*"|[^\s"]*)(?=\s|$)')


@dataclass(slots=True)
class PlanLine:
    """A narration line of the file; `code` where one is written."""

    line: int
    text: str
    beat: str
    code: str = ""
    picture: str = ""


@dataclass(frozen=True, slots=True)
class PlanWish:
    """A wish: its fields as typed. `narration`: index of the line it was written below; None: of none."""

    line: int
    fields: Mapping[str, str]
    narration: int | None = None


@dataclass(slots=True)
class PlanFile:
    """`goals`: line, day, sentence."""

    goals: list[tuple[int, int, str]] = field(default_factory=list)
    lines: list[PlanLine] = field(default_factory=list)
    wishes: list[PlanWish] = field(default_factory=list)


def read_plan(path: Path) -> PlanFile:
    """Read a file of one of FORMATS. Raises UsageError, or FaultyFileError with every fault and its line."""
    if path.suffix.lower() not in FORMATS:
        raise UsageError(
            "its name must end in .md, .txt or .csv", path=str(path), remedy="Save it as one of these."
        )
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST + 1)
    except OSError as error:
        raise UsageError(
            f"can't be read: {error.strerror}", path=str(path), remedy="Is it the right file?"
        ) from error
    return parse_plan(data, path)


def parse_plan(data: bytes, path: PurePath) -> PlanFile:
    """The same for what was read already; `path` gives the kind, and stands in errors."""
    if len(data) > LARGEST:
        raise UsageError(f"larger than {LARGEST} bytes", path=str(path), remedy="Is it the right file?")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise FaultyFileError(path, [Fault(f"line {line}", "this is no UTF-8: save it as UTF-8")]) from None
    faults: list[Fault] = []
    read = _read_table if path.suffix.lower() == ".csv" else _read_text
    plan = read(text, faults)
    if not faults and not (plan.goals or plan.lines or plan.wishes):
        faults.append(Fault("line 1", "there is no wish, no narration line and no goal in it"))
    if faults:
        raise FaultyFileError(path, faults)
    return plan


# -- text and Markdown ------------------------------------------------------------------------------


@dataclass(slots=True)
class _Place:
    beat: str = ""
    narration: int | None = None  # the line that wishes below belong to
    quoting: bool = False  # the line before was part of a quotation


def _read_text(text: str, faults: list[Fault]) -> PlanFile:
    plan, place = PlanFile(), _Place()
    for number, raw in enumerate(_LINE_END.split(text), start=1):
        if find_unusable(raw) is not None:
            faults.append(Fault(f"line {number}", "holds a control character: take it out"))
            continue
        stripped = raw.strip()
        was_quoting, place.quoting = place.quoting, False
        if not stripped:
            continue
        if stripped.startswith(">"):
            _read_narration(plan, place, number, stripped[1:].strip(), was_quoting)
        elif heading := _HEADING.fullmatch(raw):
            if len(heading[1]) > 1:
                place.beat, place.narration = heading[2], None
        elif day := _DAY.fullmatch(raw):
            plan.goals.append((number, int(day[1]), " ".join(day[2].split())))
        elif (picture := _PICTURE.fullmatch(raw)) and place.narration is not None:
            plan.lines[place.narration].picture = picture[1].strip()
        elif bullet := _BULLET.fullmatch(raw):
            _read_bullet(plan, place, number, bullet[1] or "", bullet[2], faults)
        else:
            faults.append(
                Fault(
                    f"line {number}",
                    f"{show_short(stripped)} is no wish (- …), no narration (> …), no beat (## …) and no "
                    "goal (Day 2: …): begin it with one of these",
                )
            )
    return plan


def _read_narration(plan: PlanFile, place: _Place, number: int, text: str, goes_on: bool) -> None:
    """Quoted lines that follow each other are one narration line; an empty one ends it."""
    if not text:
        return
    place.quoting = True
    if goes_on and place.narration is not None:
        line = plan.lines[place.narration]
        line.text = f"{line.text} {text}"
        return
    code = ""
    if found := _CODE_AT_START.fullmatch(text):
        code, text = found[1], found[2]
    plan.lines.append(PlanLine(number, text, place.beat, code))
    place.narration = len(plan.lines) - 1


def _read_bullet(
    plan: PlanFile, place: _Place, number: int, mark: str, text: str, faults: list[Fault]
) -> None:
    words, bar, rest = text.partition("|")
    fields = {"beat": place.beat} if place.beat else {}
    if mark not in ("", " ", "x"):
        fields["code"] = mark
    if need := _NEED.fullmatch(words.strip()):
        fields["need"], words = need[1].lower(), need[2]
    fields["what"] = " ".join(words.split())
    if not fields["what"]:
        faults.append(Fault(f"line {number}", "a wish needs words: - must: hands on the wheel | size=cu"))
        return
    if bar and not _read_pairs(number, rest, fields, faults):
        return
    plan.wishes.append(PlanWish(number, fields, _narration_of(fields, place.narration)))


def _narration_of(fields: Mapping[str, str], narration: int | None) -> int | None:
    return narration if fields.get("origin", "narration") == "narration" else None


def _read_pairs(number: int, text: str, fields: dict[str, str], faults: list[Fault]) -> bool:
    """`field=value` after the bar; a value of several words stands in quotation marks."""
    at, before = 0, len(faults)
    while at < len(text):
        if text[at].isspace():
            at += 1
            continue
        pair = _PAIR.match(text, at)
        if pair is None:
            word = text[at:].split()[0]
            hint = 'a value of several words stands in quotation marks: who="Ada Wren"'
            faults.append(Fault(f"line {number}", f"{show_short(word)} is no field=value; {hint}"))
            return False
        name, value, at = pair[1].lower(), pair[2], pair.end()
        if name not in WISH_FIELDS or name in ("what", "code", "line"):
            faults.append(Fault(f"line {number}", _no_field(name, WISH_FIELDS)))
        elif value[:1] == '"':
            value = value[1:-1].replace('""', '"')
        fields[name] = value
    return len(faults) == before


def _no_field(name: str, fields: tuple[str, ...]) -> str:
    near = difflib.get_close_matches(name[:60], fields, n=1)
    hint = f"did you mean {near[0]}?" if near else f"there are: {', '.join(fields)}"
    return f"there is no field {show_short(name)}; {hint}"


# -- tables -----------------------------------------------------------------------------------------


def _read_table(text: str, faults: list[Fault]) -> PlanFile:
    """One row a wish. `narration` holds the words of the line it is wanted for; a row with that alone is the
    line by itself."""
    plan = PlanFile()
    lines: dict[tuple[str, str], int] = {}
    for number, row in _rows(text, faults):
        beat, narration = row.get("beat", ""), " ".join(row.pop("narration", "").split())
        picture = row.pop("picture", "")
        if find_unusable("".join(row.values()) + narration + picture) is not None:
            faults.append(Fault(f"line {number}", "holds a control character: take it out"))
            continue
        index = None
        if narration:
            index = lines.setdefault((beat, narration), len(plan.lines))
            if index == len(plan.lines):
                plan.lines.append(PlanLine(number, narration, beat))
            plan.lines[index].picture = picture or plan.lines[index].picture
        given = {name: value for name, value in row.items() if value}
        if given.get("what"):
            plan.wishes.append(PlanWish(number, given, _narration_of(given, index)))
        elif not narration or set(given) - {"beat"}:
            faults.append(Fault(f"line {number}", "a wish needs words in the column what"))
    return plan


def _rows(text: str, faults: list[Fault]) -> Iterator[tuple[int, dict[str, str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    header: list[str] | None = None
    line = 1
    try:
        for cells in reader:
            begins, line = line, reader.line_num + 1
            if not any(cell.strip() for cell in cells):
                continue
            if header is None:
                header = [cell.strip().lower() for cell in cells]
                if not _check_header(header, faults):
                    return
            elif len(cells) != len(header):
                faults.append(Fault(f"line {begins}", f"{len(cells)} cells, the head has {len(header)}"))
            else:
                yield begins, {n: unguard_cell(c).strip() for n, c in zip(header, cells, strict=True)}
    except csv.Error as error:
        faults.append(Fault(f"line {line}", f"not comma-separated values: {error}"))


def _check_header(header: list[str], faults: list[Fault]) -> bool:
    before = len(faults)
    if len(header) == 1 and ";" in header[0]:
        faults.append(Fault("line 1", "the columns stand between semicolons: save it with commas"))
        return False
    for number, name in enumerate(header, start=1):
        if name not in CSV_COLUMNS:
            faults.append(Fault(f"line 1, column {number}", _no_field(name, CSV_COLUMNS)))
        elif name in header[: number - 1]:
            faults.append(Fault(f"line 1, column {number}", f"there is a column {name} already"))
    if "what" not in header and "narration" not in header:
        faults.append(Fault("line 1", "there is neither a column what nor a column narration"))
    return len(faults) == before
