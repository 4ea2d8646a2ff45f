"""The rate a clip was taken at, as against the one it plays at, and how long it really took.

A camera may take 100 pictures a second and write a file that plays 25: four times as slow, "conformed in
camera". The file is `frames / rate` long; the taking took `frames / capture rate`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

STATED, SUGGESTED, NONE = "stated", "suggested", "none"
MOST_CAPTURE = 100_000  # pictures a second


@dataclass(frozen=True, slots=True)
class Capture:
    """Pictures a second. `certainty`: "stated" by a file, or "suggested" by times or by a stream's header."""

    rate: Fraction
    certainty: str
    source: str

    def to_json(self) -> dict[str, str]:
        return {"rate": str(self.rate), "certainty": self.certainty, "source": self.source}


def capture_of(more: Mapping[str, Any]) -> Capture | None:
    """The capture rate in a file's further facts; None where it says none, or nothing that is a rate."""
    said = more.get("capture_rate")
    if not isinstance(said, dict):
        return None
    try:
        rate = Fraction(str(said.get("rate")))
    except (ValueError, ZeroDivisionError):
        return None
    if not 0 < rate <= MOST_CAPTURE:
        return None
    certainty = STATED if said.get("certainty") == STATED else SUGGESTED
    return Capture(rate, certainty, str(said.get("source", "")))


def real_seconds(frames: int, playback: Fraction, capture: Capture | None) -> Fraction:
    """How long taking `frames` pictures took, exact. Playing them takes `frames / playback`."""
    return frames / (capture.rate if capture is not None else playback)
