"""Contact sheets: pages of stills for each shooting day, as pictures and as one PDF a day."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from itertools import groupby
from pathlib import Path

from PIL import Image, ImageDraw

from api.handover import sheet_style as style
from api.handover.columns import Line
from api.handover.folder import Draft
from api.handover.places import Place
from api.handover.sheet_cell import Sheet, draw_cell
from api.handover.sheet_style import Fonts, fit_end, load_fonts
from api.handover.shots import Handover, Shot
from api.handover.text import one_line, say_length
from shared.models import ShootingDay

FOLDER = "contact_sheets"
# Not by the system's language: a sheet reads the same wherever it was made.
_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)


def write_contact_sheets(
    draft: Draft, handover: Handover, places: Mapping[int, Place], stills: Path
) -> tuple[Shot, ...]:
    """Write a PNG a page and a PDF a day; clips of no day get sheets of their own.

    Returns the shots of which a still is missing.
    """
    fonts = load_fonts()
    lacking: list[Shot] = []
    days = {day.id: day for day in handover.days}
    for number, shots in _by_day(handover):
        day = days.get(number) if number is not None else None
        name = f"{FOLDER}/{sheet_name(day)}"
        count = -(-len(shots) // style.CELLS)
        with draft.create(f"{name}.pdf") as pdf:
            for number in range(1, count + 1):
                page = _draw_page(handover, day, shots, (number, count), places, fonts, stills, lacking)
                with draft.create(f"{name}.png" if count == 1 else f"{name}_p{number}.png") as png:
                    page.save(png, "PNG", dpi=(style.DPI, style.DPI), compress_level=2)
                # Page by page: a day of hundreds of clips is never in memory at once.
                about = {} if number > 1 else {"title": _title(handover, day), "creator": "Rushlight"}
                page.save(
                    pdf, "PDF", append=number > 1, resolution=style.DPI, quality=90, subsampling=0, **about
                )
    return tuple(lacking)


def sheet_name(day: ShootingDay | None) -> str:
    """The name of a day's files without suffix: "day-1_2026-05-12"."""
    return "no-day" if day is None else f"day-{day.number}_{day.date.isoformat()}"


def say_date(date: dt.date) -> str:
    return f"{_WEEKDAYS[date.weekday()]} {date.day} {_MONTHS[date.month - 1]} {date.year}"


def _by_day(handover: Handover) -> Iterator[tuple[int | None, list[Shot]]]:
    """Days' ids by their number, clips in time order; what belongs to no day comes last."""

    def number(shot: Shot) -> tuple[bool, int]:
        day = shot.clip.day
        return day is None, day.number if day is not None else 0

    for _, group in groupby(sorted(handover.shots, key=number), key=number):
        shots = list(group)
        yield shots[0].clip.day_id, shots


def _title(handover: Handover, day: ShootingDay | None) -> str:
    what = f"day {day.number}, {day.date.isoformat()}" if day is not None else "clips of no day"
    return f"{one_line(handover.production.name)}: {what}"


def _draw_page(
    handover: Handover,
    day: ShootingDay | None,
    shots: Sequence[Shot],
    page: tuple[int, int],
    places: Mapping[int, Place],
    fonts: Fonts,
    stills: Path,
    lacking: list[Shot],
) -> Image.Image:
    image = Image.new("RGB", style.PAGE, style.PAPER)
    sheet = Sheet(image, ImageDraw.Draw(image), fonts, stills)
    _draw_heading(sheet, handover, day, shots)
    first = (page[0] - 1) * style.CELLS
    for place, shot in enumerate(shots[first : first + style.CELLS]):
        row, column = divmod(place, style.COLUMNS)
        left = style.MARGIN + column * (style.CELL_WIDTH + style.GUTTER)
        top = style.MARGIN + style.HEAD + row * style.CELL_HEIGHT
        if not draw_cell(sheet, Line(handover, shot, places), left, top):
            lacking.append(shot)
    _draw_foot(sheet, handover, page)
    return image


def _draw_heading(sheet: Sheet, handover: Handover, day: ShootingDay | None, shots: Sequence[Shot]) -> None:
    fonts, draw = sheet.fonts, sheet.draw
    left, top, right = style.MARGIN, style.MARGIN - 22, style.PAGE[0] - style.MARGIN
    length = sum((shot.timing.seconds or Fraction(0) for shot in shots), Fraction(0))
    total = f"{len(shots)} clip{'s' if len(shots) != 1 else ''}, {say_length(length)}"
    draw.text((right, top + 14), total, fill=style.SOFT, font=fonts.text, anchor="ra")
    heading = f"Day {day.number}" if day is not None else "Clips of no shooting day"
    draw.text((left, top), heading, fill=style.INK, font=fonts.heading)
    start = left + fonts.heading.getlength(heading) + 28
    room = right - fonts.text.getlength(total) - 40 - start
    beside = one_line(handover.production.name)
    if day is not None:
        beside = f"{say_date(day.date)}   {beside}"
    draw.text((start, top + 14), fit_end(beside, fonts.text, room), fill=style.INK, font=fonts.text)
    if day is not None and day.goal:
        goal = fit_end(one_line(day.goal), fonts.text, right - left)
        draw.text((left, top + 62), goal, fill=style.SOFT, font=fonts.text)
    draw.line((left, top + 108, right, top + 108), fill=style.RULE, width=2)
    draw.line((left, top + 108, left + 120, top + 108), fill=style.AMBER, width=5)


def _draw_foot(sheet: Sheet, handover: Handover, page: tuple[int, int]) -> None:
    base = style.PAGE[1] - style.MARGIN + 26
    said = (
        f"Timecode is each clip's first frame. Times are {handover.production.zone}. "
        f"Made {handover.made_here:%Y-%m-%d %H:%M}."
    )
    sheet.draw.text((style.MARGIN, base), said, fill=style.SOFT, font=sheet.fonts.small, anchor="ls")
    sheet.draw.text(
        (style.PAGE[0] - style.MARGIN, base),
        f"{page[0]} / {page[1]}",
        fill=style.SOFT,
        font=sheet.fonts.small,
        anchor="rs",
    )
