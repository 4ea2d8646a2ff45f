"""The report as a PDF of A4 pages: what a person must know first, then every file by name.

White paper, as it is to be printed; ink in two strengths, and amber beside what needs a look.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import BinaryIO

from api.handover.sheet_style import AMBER, INK, SOFT
from api.report import words
from api.report.model import UNKNOWN, FileLine, OffloadSheet
from api.report.pdf_page import LEFT, RIGHT, WIDTH, Cell, Pages

# More than a person reads on paper (about 330 pages): the HTML page beside it lists all.
MOST_FILES = 20_000
MOST_PROBLEMS = 2_000
_TEXT, _SMALL, _LIST, _HASH = 9.0, 7.8, 7.0, 6.0
_INDENT = LEFT + 12


def draw_pdf(sheet: OffloadSheet, out: BinaryIO) -> None:
    """Write the whole PDF to a file that is only appended to."""
    pages = Pages(out, f"{sheet.title} · {sheet.production} · offload {sheet.id}")
    _draw_heading(pages, sheet)
    _draw_verdict(pages, sheet)
    _draw_facts(pages, sheet)
    _draw_destinations(pages, sheet)
    _draw_problems(pages, sheet)
    _draw_files(pages, sheet)
    pages.close(f"{sheet.title}, {sheet.production}")


def _draw_heading(pages: Pages, sheet: OffloadSheet) -> None:
    faces = pages.faces
    pages.paragraph(sheet.production, faces.text, _TEXT, colour=SOFT)
    pages.skip(3)
    pages.paragraph(sheet.title, faces.heading, 21, leading=1.2)
    pages.skip(5)
    pages.rule(pages.y)
    pages.rule(pages.y, right=LEFT + 40, colour=AMBER)
    pages.skip(9)
    pages.paragraph(sheet.state, faces.text, 10, marked=not sheet.done)


def _draw_verdict(pages: Pages, sheet: OffloadSheet) -> None:
    faces, verdict = pages.faces, sheet.verdict
    marked = verdict.answer != "yes"
    _heading(pages, "May this card be formatted?")
    pages.paragraph(verdict.line, faces.strong, 10, marked=marked)
    for reason in verdict.reasons:
        pages.skip(2)
        pages.paragraph(reason, faces.text, _TEXT, x=_INDENT)
    pages.skip(4)
    pages.paragraph(
        "What was true then need not be true now. Before you format, plug in the card and the drives and ask "
        "again:",
        faces.text,
        _TEXT,
    )
    pages.skip(2)
    pages.paragraph(verdict.ask_again, faces.figures, 8, x=_INDENT)
    pages.paragraph(
        "If the card is mounted elsewhere by then, name that folder.", faces.text, _SMALL, colour=SOFT
    )
    pages.skip(4)
    pages.paragraph(words.CAUTION, faces.strong, _TEXT)


def _draw_facts(pages: Pages, sheet: OffloadSheet) -> None:
    text = pages.faces.text
    _heading(pages, "The offload")
    name, value = Cell(LEFT, 125, text, _SMALL), Cell(LEFT + 135, WIDTH - 135, text, _SMALL)
    for fact, said in sheet.facts:
        pages.row([(name, fact, SOFT), (value, said, INK)], pad=1.8)
    pages.rule(pages.y)
    pages.skip(4)
    note = f"Times are those of {sheet.zone}. A megabyte (MB) is a million bytes."
    pages.paragraph(note, text, _LIST, colour=SOFT)


def _draw_destinations(pages: Pages, sheet: OffloadSheet) -> None:
    text = pages.faces.text
    _heading(pages, "Destinations")
    if not sheet.destinations:
        pages.paragraph("None is recorded.", text, _SMALL)
        return
    numbers = [Cell(LEFT + 215 + 46 * n, 40, text, _SMALL, right=True) for n in range(4)]
    cells = [Cell(LEFT, 16, text, _SMALL), Cell(LEFT + 18, 195, text, _SMALL)]
    cells += [*numbers, Cell(LEFT + 408, RIGHT - LEFT - 408, text, _SMALL)]
    heads = ("", "Folder", "Verified", "Kept*", "Differ", "Missing", "Read back")
    _with_heads(pages, cells, heads)
    for one in sheet.destinations:
        counts = (words.say_number(n) for n in (one.verified, one.kept, one.differs, one.missing))
        said = (f"{one.number}", one.folder or one.name, *counts, one.read_back)
        pages.row([(cell, part, INK) for cell, part in zip(cells, said, strict=True)], marked=not one.sound)
        pages.paragraph(one.state, text, _SMALL, x=LEFT + 18, width=WIDTH - 18)
        pages.skip(2)
    pages.repeat(None)
    pages.rule(pages.y)
    pages.skip(4)
    note = "Counts are of files. * Of the verified: proven by an earlier offload, and kept."
    pages.paragraph(note, text, _LIST, colour=SOFT)


def _draw_problems(pages: Pages, sheet: OffloadSheet) -> None:
    faces = pages.faces
    _heading(pages, "Problems")
    if sheet.no_problem:
        pages.paragraph("None is recorded.", faces.text, _TEXT)
    for one in sheet.problems[:MOST_PROBLEMS]:
        # The first line with its bar stands with the next, whatever is left of the page.
        pages.need(3 * _SMALL * 1.4)
        pages.paragraph(
            f"{one.kind}: {one.path}" if one.path else one.kind, faces.strong, _SMALL, marked=True
        )
        pages.paragraph(one.message, faces.text, _SMALL, marked=True)
        if one.remedy:
            pages.paragraph(one.remedy, faces.text, _SMALL, colour=SOFT, marked=True)
        pages.skip(5)
    if len(sheet.problems) > MOST_PROBLEMS:
        rest = words.say_count(len(sheet.problems) - MOST_PROBLEMS, "more problem")
        pages.paragraph(f"And {rest}: the HTML page of this report lists them all.", faces.strong, _TEXT)
    if sheet.warnings:
        _heading(pages, "Said before copying began", small=True)
        for warning in sheet.warnings:
            pages.paragraph(warning, faces.text, _SMALL, x=_INDENT)
            pages.skip(2)
    if sheet.left_out:
        _heading(pages, "On the card, and not copied", small=True)
        for thing in sheet.left_out[:MOST_PROBLEMS]:
            pages.paragraph(
                f"{thing.path}: {thing.reason}", faces.text, _SMALL, x=_INDENT, marked=not thing.junk
            )
        if len(sheet.left_out) > MOST_PROBLEMS:
            rest = words.say_number(len(sheet.left_out) - MOST_PROBLEMS)
            pages.paragraph(f"And {rest} more: the HTML page lists them all.", faces.text, _SMALL)


def _draw_files(pages: Pages, sheet: OffloadSheet) -> None:
    faces = pages.faces
    _heading(pages, words.say_count(len(sheet.files), "file"))
    if not sheet.files:
        pages.paragraph("No file is listed by this offload.", faces.text, _TEXT)
        return
    files = _choose(sheet.files)
    if len(files) < len(sheet.files):
        note = (
            f"Here are {words.say_number(len(files))} of them, those that need a look first. "
            "The HTML page of this report lists them all."
        )
        pages.paragraph(note, faces.strong, _TEXT)
        pages.skip(4)
    cells = (
        Cell(LEFT, 196, faces.text, _LIST),
        Cell(LEFT + 200, 62, faces.text, _LIST, right=True),
        Cell(LEFT + 272, 112, faces.text, _LIST),
        Cell(LEFT + 388, RIGHT - LEFT - 388, faces.figures, _HASH),
    )
    _with_heads(pages, cells, ("Path on the card", "Bytes", "Copies at the destinations", "Hash"))
    for file in files:
        path = f"{file.path} ({file.problem})" if file.problem else file.path
        size = words.say_number(file.size) if file.size is not None else UNKNOWN
        said = (path, size, file.copies, file.digest or "none: not read whole")
        inks = (INK, INK, INK, SOFT)
        row = list(zip(cells, said, inks, strict=True))
        pages.row(row, marked=not file.sound, pad=1.6)
    pages.rule(pages.y)
    pages.repeat(None)


def _choose(files: Sequence[FileLine]) -> Sequence[FileLine]:
    """In the card's order; of too many, first those whose copies are not all proven."""
    return files if len(files) <= MOST_FILES else sorted(files, key=lambda file: file.sound)[:MOST_FILES]


def _with_heads(pages: Pages, cells: Sequence[Cell], heads: Sequence[str]) -> None:
    """The heads of a table's columns, here and on every page that it reaches."""
    text = pages.faces.text

    def draw() -> None:
        plain = [replace(cell, face=text, size=_LIST) for cell in cells]
        pages.row([(cell, head, SOFT) for cell, head in zip(plain, heads, strict=True)])

    pages.need(40)  # never the heads alone
    draw()
    pages.repeat(draw)


def _heading(pages: Pages, text: str, *, small: bool = False) -> None:
    size = 10.0 if small else 13.0
    pages.skip(8 if small else 16)
    pages.need(size + 40)
    pages.paragraph(text, pages.faces.heading, size, colour=SOFT if small else INK)
    pages.skip(3)
