"""The shot log for printing: a PDF of A4 pages, each clip with a still."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from api.handover.folder import Draft
from api.handover.log_cards import PAPER_NAME, Card, CardDay, days_of, pictures_of
from api.handover.places import Place
from api.handover.sheet_style import INK, SOFT
from api.handover.shots import Handover, Shot
from api.handover.text import one_line
from api.report.faces import Face
from api.report.pdf_page import BOTTOM, LEFT, RIGHT, TOP, Colour, Pages

_STILL = 132.0, 99.0  # the most that a still takes: points wide and high
_WORDS = LEFT + _STILL[0] + 14
_LEADING = 1.35
_GAP = 9.0  # between two clips


def write_log_paper(draft: Draft, handover: Handover, places: Mapping[int, Place], stills: Path) -> None:
    """Write `shot_log.pdf`, page by page."""
    name = one_line(handover.production.name)
    made = f"{handover.made_here:%Y-%m-%d %H:%M} ({handover.production.zone})"
    with draft.create(PAPER_NAME) as file:
        pages = Pages(file, f"{name} · shot log · made {made}")
        pages.paragraph(name, pages.faces.text, 9, colour=SOFT)
        pages.paragraph("Shot log", pages.faces.heading, 21, leading=1.25)
        pages.paragraph(
            "OUT is exclusive: out - in = duration. The table beside this has every column.",
            pages.faces.text,
            8,
            colour=SOFT,
        )
        for day in days_of(handover, places):
            _draw_day(pages, day, stills)
        pages.close(f"Shot log, {name}")


def _draw_day(pages: Pages, day: CardDay, stills: Path) -> None:
    pages.skip(14)
    pages.need(150)
    pages.paragraph(day.title, pages.faces.heading, 13)
    if day.goal:
        pages.paragraph(day.goal, pages.faces.text, 8.5, colour=SOFT)
    pages.skip(4)
    for card, shot in day.cards:
        _draw_clip(pages, card, shot, stills)


def _draw_clip(pages: Pages, card: Card, shot: Shot, stills: Path) -> None:
    said = _said(pages, card)
    width = RIGHT - _WORDS
    lines = [
        (line, face, size, ink) for text, face, size, ink in said for line in face.wrap(text, size, width)
    ]
    height = max(sum(size * _LEADING for _, _, size, _ in lines), _STILL[1]) + _GAP
    pages.need(min(height, TOP - BOTTOM))
    pages.rule(pages.y)
    pages.skip(5)
    low = _draw_still(pages, card, shot, stills)
    page_top = pages.y
    for line, face, size, ink in lines:
        pages.paragraph(line, face, size, colour=ink, x=_WORDS, leading=_LEADING, marked=False)
    if pages.y <= page_top:  # still on the page of the still
        pages.y = min(pages.y, low)
    pages.skip(_GAP)


def _draw_still(pages: Pages, card: Card, shot: Shot, stills: Path) -> float:
    """The first still at the left; returns where it ends."""
    picture = next(pictures_of(shot, stills, most=1), None)
    if picture is None:
        pages.text(LEFT, pages.y - 10, card.no_picture, pages.faces.text, 8, SOFT)
        return pages.y - 14
    scale = min(_STILL[0] / picture.width, _STILL[1] / picture.height)
    width, height = picture.width * scale, picture.height * scale
    pages.image(picture.jpeg, (picture.width, picture.height), LEFT, pages.y - height, width, height)
    if card.look:
        pages.bar(LEFT - 9, pages.y - height, pages.y)
    return pages.y - height


def _said(pages: Pages, card: Card) -> list[tuple[str, Face, float, Colour]]:
    faces = pages.faces
    head = f"{card.reel}  {card.name}" + (f"   {card.rating}" if card.rating else "")
    said = [(head, faces.strong, 9.5, INK), (card.times, faces.figures, 7.2, INK)]
    if card.subject:
        said.append((card.subject, faces.text, 9, INK))
    if card.what:
        said.append((card.what, faces.text, 8, INK))
    said += [(line, faces.text, 8, INK) for line in card.note.split("\n") if line.strip()]
    said += [(f"– {mark}", faces.text, 7.5, INK) for mark in card.marks]
    facts = "; ".join(f"{title}: {text}" for title, text in (("file", card.file), *card.facts))
    said.append((facts, faces.text, 7, SOFT))
    return said
