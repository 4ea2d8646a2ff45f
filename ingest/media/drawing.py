"""Pictures that are drawn, not taken: the panel of a file nobody could read, the waveform of a sound."""

from __future__ import annotations

import textwrap
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

Font = ImageFont.FreeTypeFont | ImageFont.ImageFont
Envelope = npt.NDArray[np.float32]

_FONT_FILE = Path("/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf")
_GROUND, _LINE, _WAVE = (24, 27, 31), (64, 70, 78), (126, 189, 170)
_INK, _FAINT, _ALARM = (228, 230, 233), (150, 156, 164), (226, 150, 64)


@lru_cache(maxsize=8)
def font(size: int) -> Font:
    """Letters `size` pixels high: DejaVu Sans where it is installed, otherwise Pillow's own."""
    if _FONT_FILE.is_file():
        return ImageFont.truetype(_FONT_FILE, size)
    return ImageFont.load_default(size)


def draw_placeholder(heading: str, text: str, width: int) -> Image.Image:
    """A 16:9 panel, `width` pixels wide, that says which file shows nothing, and why."""
    height = max(36, width * 9 // 16)
    image = Image.new("RGB", (width, height), _GROUND)
    draw = ImageDraw.Draw(image)
    size = max(9, width // 28)
    margin = width // 14
    draw.rectangle((0, 0, width - 1, height - 1), outline=_ALARM, width=max(1, width // 160))
    mark = size * 2
    top = margin
    draw.polygon(
        ((margin + mark // 2, top), (margin, top + mark), (margin + mark, top + mark)),
        outline=_ALARM,
        width=max(1, size // 6),
    )
    draw.text((margin + mark / 2, top + mark * 0.64), "!", fill=_ALARM, font=font(size), anchor="mm")
    draw.text(
        (margin + mark + size, top + mark / 2),
        _shortened(heading, font(size), width - 2 * margin - mark - size),
        fill=_INK,
        font=font(size),
        anchor="lm",
    )
    columns = max(8, (width - 2 * margin) * 9 // (5 * size))
    rows = max(1, (height - top - mark - margin - size) * 4 // (5 * size))
    lines = textwrap.wrap(text, columns, max_lines=rows, placeholder=" …")
    draw.multiline_text(
        (margin, top + mark + size), "\n".join(lines), fill=_FAINT, font=font(size), spacing=size // 3
    )
    return image


def draw_waveform(lows: Envelope, highs: Envelope, caption: str, width: int) -> Image.Image:
    """Envelopes of each channel, one above the other: `lows`, `highs` of shape (channels, columns), -1 to 1.

    Columns are spread over the whole picture, 16:9, `width` pixels wide. The caption stands at the foot.
    """
    height = max(36, width * 9 // 16)
    image = Image.new("RGB", (width, height), _GROUND)
    draw = ImageDraw.Draw(image)
    size = max(9, width // 40)
    channels, columns = lows.shape
    lane = (height - 2 * size) / max(1, channels)
    for channel in range(channels):
        middle = lane * (channel + 0.5)
        reach = lane * 0.46
        for level in (-reach, 0, reach):
            draw.line((0, middle + level, width, middle + level), fill=_LINE)
        for x in range(width):
            # A column narrower than a pixel must not be lost: take the extremes of all that fall on it.
            first = x * columns // width
            last = max(first + 1, (x + 1) * columns // width)
            low = max(-1.0, float(lows[channel, first:last].min()))
            high = min(1.0, float(highs[channel, first:last].max()))
            if low <= high:  # a column nothing was read for stays empty
                draw.line((x, middle - high * reach, x, middle - low * reach), fill=_WAVE)
        if lane >= size:
            draw.text(
                (size // 2, middle - reach), str(channel + 1), fill=_FAINT, font=font(size), anchor="lt"
            )
    draw.text((size // 2, height - size // 2), caption, fill=_INK, font=font(size), anchor="lb")
    return image


def _shortened(text: str, letters: Font, width: int) -> str:
    """The text in `width` pixels. Both ends of a name tell takes apart, so the middle goes."""
    for kept in range(len(text), 1, -1):
        head = kept // 2
        shown = text if kept == len(text) else text[:head] + "…" + text[len(text) - (kept - head) :]
        if letters.getlength(shown) <= width:
            return shown
    return text[:1]
