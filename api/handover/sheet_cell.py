"""One clip on a contact sheet: its stills in a row, and three lines that say which clip it is."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from PIL import Image, ImageDraw, ImageOps

from api.handover import sheet_style as style
from api.handover.columns import Line, label
from api.handover.sheet_style import Fonts, fit_end, fit_middle
from api.handover.text import one_line, say_length, short_name
from api.handover.timing import sample_rate
from shared.models import ClipMedia, Severity, Still

_FORMATS = ("JPEG", "PNG", "WEBP")
_MOST_PIXELS = 40_000_000  # a still is far smaller; more means that something else lies there
_LINE = 33  # from one line of text to the next


@dataclass(frozen=True, slots=True)
class Sheet:
    """What is drawn on, with what, and where the stills are."""

    image: Image.Image
    draw: ImageDraw.ImageDraw
    fonts: Fonts
    stills: Path


def draw_cell(sheet: Sheet, line: Line, left: int, top: int) -> bool:
    """Draw a clip with its upper left corner there. False when a still it should have can't be shown."""
    shown = _draw_stills(sheet, line, left, top)
    below = top + style.STILL[1] + 12
    _draw_name(sheet, line, left, below)
    _draw_facts(sheet, line, left, below + _LINE)
    _draw_words(sheet, line, left, below + 2 * _LINE)
    return shown


def choose_stills(stills: list[Still], most: int) -> list[Still]:
    """The first, the last and those evenly between, `most` at the most, in order. Of one: the middle."""
    if len(stills) <= most:
        return list(stills)
    if most == 1:
        return [stills[(len(stills) - 1) // 2]]
    return [stills[round(step * (len(stills) - 1) / (most - 1))] for step in range(most)]


def _draw_stills(sheet: Sheet, line: Line, left: int, top: int) -> bool:
    chosen = choose_stills(line.shot.clip.stills, style.STILLS)
    width, height = style.STILL
    shown = bool(chosen)
    for place, still in enumerate(chosen):
        x = left + place * (width + style.STILL_GAP)
        picture = open_still(sheet.stills, still)
        if picture is None:
            shown = False
            _draw_panel(sheet, x, top, "still missing")
            continue
        picture = ImageOps.contain(picture, style.STILL, Image.Resampling.BICUBIC)
        # A picture of another shape stands in the middle of its panel, whole.
        sheet.draw.rectangle((x, top, x + width - 1, top + height - 1), fill=style.PANEL)
        sheet.image.paste(picture, (x + (width - picture.width) // 2, top + (height - picture.height) // 2))
    if not chosen:
        _draw_panel(sheet, left, top, _why_none(line))
    return shown


def _why_none(line: Line) -> str:
    if line.shot.clip.media is ClipMedia.UNKNOWN:
        return "unreadable file"
    return "sound only" if line.shot.clip.media is ClipMedia.AUDIO else "no still"


def open_still(folder: Path, still: Still) -> Image.Image | None:
    """The still in RGB; None where there is none, or what is there is no such picture.

    A child that met a hostile file wrote it, so it is not trusted: below the folder, a known format, small.
    """
    path = folder / still.path
    try:
        if not path.resolve().is_relative_to(folder.resolve()):
            return None
        with Image.open(path, formats=_FORMATS) as image:
            if image.width * image.height > _MOST_PIXELS:
                return None
            image.draft("RGB", style.STILL)
            return image.convert("RGB")
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return None


def _draw_panel(sheet: Sheet, left: int, top: int, text: str) -> None:
    """An empty frame of a still's size, crossed like a blank in a ledger, that says why it is empty."""
    width, height = style.STILL
    box = (left, top, left + width - 1, top + height - 1)
    sheet.draw.rectangle(box, fill=style.PANEL, outline=style.RULE, width=2)
    sheet.draw.line((left, top + height - 1, left + width - 1, top), fill=style.RULE, width=2)
    middle = (left + width / 2, top + height / 2)
    half = sheet.fonts.small.getlength(text) / 2 + 12
    sheet.draw.rectangle(
        (middle[0] - half, middle[1] - 18, middle[0] + half, middle[1] + 18), fill=style.PANEL
    )
    sheet.draw.text(middle, text, fill=style.SOFT, font=sheet.fonts.small, anchor="mm")


def _draw_name(sheet: Sheet, line: Line, left: int, top: int) -> None:
    """Reel and clip; at the right what people thought of it."""
    fonts, clip = sheet.fonts, line.shot.clip
    right = left + style.CELL_WIDTH - _draw_rating(sheet, line, left + style.CELL_WIDTH, top)
    reel = one_line(clip.reel.name)
    sheet.draw.text((left, top), reel, fill=style.AMBER, font=fonts.strong)
    start = left + fonts.strong.getlength(reel) + 16
    name = fit_middle(short_name(clip), fonts.strong, right - start - 16)
    sheet.draw.text((start, top), name, fill=style.INK, font=fonts.strong)


def _draw_rating(sheet: Sheet, line: Line, right: int, top: int) -> float:
    """The rating, flush right: in an amber ring when circled, on an ink ground when no good. Its width."""
    rating = label(line, "rating")
    if rating is None:
        return 0
    entry, fonts = line.shot.entry, sheet.fonts
    assert entry is not None, "a rating stands in an entry"
    reason = label(line, "reason")
    text = fit_end(one_line(f"{rating}: {reason}" if reason else rating), fonts.strong, style.CELL_WIDTH / 3)
    width = fonts.strong.getlength(text)
    ring, ground, ink = {
        "circled": (style.AMBER, None, style.AMBER),
        "ng": (style.INK, style.INK, style.PAPER),
    }.get(entry.rating or "", (None, None, style.INK))
    pad = 16 if ring is not None else 0
    if ring is not None:
        box = (right - width - 2 * pad, top - 6, right, top + 30)
        sheet.draw.rounded_rectangle(box, radius=18, fill=ground, outline=ring, width=3)
    sheet.draw.text((right - pad, top), text, fill=ink, font=fonts.strong, anchor="ra")
    return width + 2 * pad


def _draw_facts(sheet: Sheet, line: Line, left: int, top: int) -> None:
    """Timecode, rate and length; at the right kind and size."""
    timing, fonts = line.shot.timing, sheet.fonts
    said = [label(line, "kind"), label(line, "size")]
    kind = fit_end(one_line(" · ".join(part for part in said if part)), fonts.text, style.CELL_WIDTH * 0.45)
    if kind:
        sheet.draw.text((left + style.CELL_WIDTH, top), kind, fill=style.INK, font=fonts.text, anchor="ra")
    facts = [str(timing.tc_in) if timing.tc_in is not None else "no timecode"]
    hertz = sample_rate(line.shot.clip)
    if hertz is not None:
        facts.append(f"sound, {float(hertz / 1000):g} kHz")
    elif timing.rate is not None:
        facts.append(f"{timing.rate.label} fps")
    facts.append(say_length(timing.seconds) if timing.seconds is not None else "length unknown")
    if len(line.shot.parts) > 1:
        facts.append(f"{len(line.shot.parts)} files")
    room = style.CELL_WIDTH - (fonts.text.getlength(kind) + 24 if kind else 0)
    sheet.draw.text(
        (left, top), fit_end("   ".join(facts), fonts.text, room), fill=style.INK, font=fonts.text
    )


def _draw_words(sheet: Sheet, line: Line, left: int, top: int) -> None:
    """Who and what, in one line; after it how many things were found wrong."""
    shot, fonts = line.shot, sheet.fonts
    faults = sum(finding.severity is not Severity.NOTE for finding in shot.findings)
    room = float(style.CELL_WIDTH)
    if faults:
        text = f"{faults} finding{'s' if faults > 1 else ''}"
        sheet.draw.text(
            (left + style.CELL_WIDTH, top + 2), text, fill=style.AMBER, font=fonts.small, anchor="ra"
        )
        room -= fonts.small.getlength(text) + 24
    entry = shot.entry
    if entry is None:
        sheet.draw.text((left, top + 2), "not logged", fill=style.SOFT, font=fonts.small)
        return
    said = [", ".join(person.name for person in entry.people), entry.subject, entry.place, entry.note]
    words = one_line(" — ".join(part for part in said if part))
    sheet.draw.text((left, top + 2), fit_end(words, fonts.small, room), fill=style.SOFT, font=fonts.small)
