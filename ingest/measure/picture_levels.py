"""How bright a picture is in its own codes: shares at the ends of the range, black, a lens that is covered.

Ranges are those of ITU-R BT.709-6, table 4.6: with 8 bits black is 16 and nominal peak 235 in a limited
range; more bits shift them left. Codes 1 to 254 may carry a picture, so above 235 there can still be detail.
A full range uses 0 and 255 (ITU-T H.273, VideoFullRangeFlag).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ingest.measure.picture_numbers import FlatTop, FrameLevels, Structure
from ingest.measure.picture_plane import Luma, Plane

Histogram = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class CodeRange:
    """The codes of one kind of luma: `black`, nominal `peak`, and the `lowest` and `highest` that can be."""

    black: int
    peak: int
    lowest: int
    highest: int

    @classmethod
    def of(cls, bits: int, is_full: bool) -> CodeRange:
        """For `bits` a sample, 8 to 16. Raises ValueError for others."""
        if not 8 <= bits <= 16:
            raise ValueError(f"luma of {bits} bits")
        if is_full:
            return cls(0, 2**bits - 1, 0, 2**bits - 1)
        step = 2 ** (bits - 8)
        return cls(16 * step, 235 * step, step, 255 * step - 1)

    @property
    def span(self) -> int:
        return self.peak - self.black


def count_codes(luma: Luma, bits: int, step: int = 1) -> Histogram:
    """How many pixels of `luma` (height, width) have each code; every `step`-th row and column is looked at.

    Pixels are left as they are: averages would hide that some are at the end of the range.
    """
    some = np.ascontiguousarray(luma[::step, ::step]).ravel()
    return np.bincount(some.astype(np.intp, copy=False), minlength=2**bits)[: 2**bits].astype(np.int64)


def measure_levels(histogram: Histogram, codes: CodeRange) -> FrameLevels:
    """The levels of a picture or of a whole clip. Raises ValueError when it counts no pixel."""
    total = int(histogram.sum())
    if total == 0:
        raise ValueError("a picture without pixels")
    rising = np.cumsum(histogram)
    low, high = (int(np.searchsorted(rising, share * total)) for share in (0.005, 0.995))
    mean = float((histogram * np.arange(len(histogram))).sum()) / total
    return FrameLevels(
        at_black=float(rising[codes.black]) / total,
        at_peak=float(histogram[codes.peak :].sum()) / total,
        at_bottom=float(rising[codes.lowest]) / total,
        at_top=float(histogram[codes.highest :].sum()) / total,
        mean=(mean - codes.black) / codes.span,
        low=(low - codes.black) / codes.span,
        high=(high - codes.black) / codes.span,
    )


def measure_flat_top(histogram: Histogram, codes: CodeRange) -> FlatTop:
    """How many of the pixels share the highest code that occurs.

    A sensor that clips below the end of the codes heaps its highlights there; elsewhere the counts fade.
    """
    there = np.flatnonzero(histogram)
    if len(there) == 0:
        return FlatTop(0.0, 0.0)
    width = max(1, codes.span // 219)
    top = int(there[-1])
    share = float(histogram[max(0, top - width + 1) :].sum()) / int(histogram.sum())
    return FlatTop(share, (top - codes.black) / codes.span)


def measure_structure(plane: Plane) -> Structure:
    """Structure of a small picture (height, width): a covered lens has noise and no contrast."""
    height, width = plane.shape[0] // 16 * 16, plane.shape[1] // 16 * 16
    blocks = plane[:height, :width].reshape(height // 16, 16, width // 16, 16).mean(axis=(1, 3))
    noise = float(np.median(np.abs(plane[:, 1:] - plane[:, :-1]))) / 0.6745 / 2**0.5
    return Structure(float(blocks.std()), noise)


def dark_stretches(
    times: Sequence[float], levels: Sequence[FrameLevels], below: float
) -> tuple[tuple[float, float], ...]:
    """Stretches, first and last time in seconds, of pictures whose brighter pixels stay under `below`.

    `below` is in parts of the range: 0 black, 1 nominal peak.
    """
    return stretches(times, [one.high < below for one in levels])


def stretches(times: Sequence[float], yes: Sequence[bool]) -> tuple[tuple[float, float], ...]:
    """First and last time of each run of true values."""
    found: list[tuple[float, float]] = []
    begin: float | None = None
    last = 0.0
    for time, one in zip(times, yes, strict=True):
        if one and begin is None:
            begin = time
        if not one and begin is not None:
            found.append((begin, last))
            begin = None
        last = time
    if begin is not None:
        found.append((begin, last))
    return tuple(found)
