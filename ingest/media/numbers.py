"""Numbers of a MediaInfo report, which gives each as text: read exactly, or not at all."""

from __future__ import annotations

import re
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from shared.timecode import MAX_RATE

LARGEST = 2**53  # counts beyond it come from damaged headers, and JSON could not carry them
_WHOLE = re.compile(r"([0-9]{1,15})(?:\.0+)?(?: /.*)?")
_DECIMAL = re.compile(r"[0-9]{1,12}(?:\.[0-9]{1,12})?")
# Nominal rates whose n/1001 form is in use (SMPTE ST 12-1 and ST 2036-1).
_NTSC = (24, 30, 48, 60, 96, 120, 240)
# Pixel shapes that formats define: ITU-R BT.601 in both scannings, H.264 table E-1, anamorphic 4:3.
_SHAPES = tuple(
    Fraction(a, b)
    for a, b in (
        *((1, 1), (12, 11), (10, 11), (16, 11), (40, 33), (24, 11), (20, 11), (32, 11), (80, 33), (18, 11)),
        *((15, 11), (64, 33), (160, 99), (4, 3), (3, 2), (2, 1), (16, 15), (64, 45), (8, 9), (32, 27)),
    )
)


def whole(value: Any) -> int | None:
    """A count: "48000", "25.000", the first of "8 / 6". None for anything else."""
    match = _WHOLE.fullmatch(value) if isinstance(value, str) else None
    return int(match[1]) if match else None


def decimal(value: Any) -> Fraction | None:
    """A decimal fraction, exact: "36000.000020833". None for anything else."""
    return Fraction(value) if isinstance(value, str) and _DECIMAL.fullmatch(value) else None


def positive(value: Any) -> int | None:
    """A count above zero; zero stands for "not said"."""
    return whole(value) or None


def exact_rate(track: Mapping[str, Any]) -> Fraction | None:
    """The frame rate of a track as its own fraction, or its decimal where only one usual rate fits it."""
    num, den = positive(track.get("FrameRate_Num")), positive(track.get("FrameRate_Den"))
    if num and den:
        rate = Fraction(num, den)
        return rate if rate <= MAX_RATE else None
    return snapped_rate(track.get("FrameRate"))


def snapped_rate(text: Any) -> Fraction | None:
    """The whole or n/1001 rate that `text` is the rounding of: "29.970" is 30000/1001. None: no such rate."""
    value = decimal(text)
    if value is None:
        return None
    slack = _rounding(text)
    usual = (Fraction(n * 1000, 1001) for n in _NTSC)
    near = [rate for rate in (Fraction(round(value)), *usual) if abs(rate - value) <= slack]
    return near[0] if len(near) == 1 and 0 < near[0] <= MAX_RATE else None


def snapped_shape(text: Any) -> Fraction | None:
    """The pixel shape, width over height, that `text` is the rounding of: "1.422" is 64/45."""
    value = decimal(text)
    if value is None:
        return None
    near = [shape for shape in _SHAPES if abs(shape - value) <= _rounding(text)]
    return near[0] if len(near) == 1 else None


def _rounding(text: str) -> Fraction:
    """Half a unit of the last digit written."""
    digits = len(text.partition(".")[2])
    return Fraction(1, 2 * 10**digits)
