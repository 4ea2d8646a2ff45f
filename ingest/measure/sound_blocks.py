"""How sound comes to its measures: in blocks of about a second, cut the same however the file was.

A measure takes whole samples through a pure function, and a stream through its accumulator; the function is
the accumulator run over all blocks, so both give the same numbers. Within a block the channels lie one after
another in memory, which is what the sums here are quick with.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol, TypeVar

import numpy as np
import numpy.typing as npt

from ingest.measure.sound_numbers import FLOOR_DB, MOST_POINTS, MOST_SPANS, Span, Spans

Samples = npt.NDArray[np.float32]
Numbers = npt.NDArray[np.float64]
_TINY = 10 ** (FLOOR_DB / 10)


@dataclass(frozen=True)
class Block:
    """`planes`: (channels, samples), full scale ±1; `first`: number of the first sample in the track.

    Of a stream's blocks, all but the last have the length `block_length(rate)`.
    """

    planes: Samples
    rate: int
    first: int

    @property
    def fine(self) -> int:
        """Samples in a fine frame, about 1 ms."""
        return fine_length(self.rate)

    @functools.cached_property
    def highs(self) -> Samples:
        """Largest sample of each whole fine frame, (channels, frames)."""
        return np.asarray(self.frames(self.fine).max(axis=2))

    @functools.cached_property
    def lows(self) -> Samples:
        """Smallest sample of each fine frame, (channels, frames)."""
        return np.asarray(self.frames(self.fine).min(axis=2))

    @functools.cached_property
    def peaks(self) -> Samples:
        """Largest absolute sample of each fine frame, (channels, frames)."""
        return np.maximum(self.highs, -self.lows)

    def frames(self, length: int) -> Samples:
        """All whole frames of `length` samples, (channels, frames, length)."""
        count = self.planes.shape[1] // length
        return self.planes[:, : count * length].reshape(len(self.planes), count, length)


def fine_length(rate: int) -> int:
    """Samples in the frame nearest 1 ms: 48 at 48 kHz, 44 at 44.1 kHz."""
    return max(1, round(rate / 1000))


def block_length(rate: int) -> int:
    """Samples in a block: 1000 fine frames, which is a second at 48 kHz and 0.998 s at 44.1 kHz."""
    return 1000 * fine_length(rate)


class Cutting:
    """Cuts what comes in any length into blocks. Holds at most one block."""

    def __init__(self, channels: int, rate: int) -> None:
        self._rate, self._length = rate, block_length(rate)
        self._held = np.zeros((channels, self._length), np.float32)
        self._used, self._first = 0, 0

    def add(self, planes: Samples) -> Iterator[Block]:
        """Samples of shape (channels, samples), which follow those before."""
        at = 0
        while at < planes.shape[1]:
            some = planes[:, at : at + self._length - self._used]
            self._held[:, self._used : self._used + some.shape[1]] = some
            self._used += some.shape[1]
            at += some.shape[1]
            if self._used == self._length:
                yield from self.rest()

    def rest(self) -> Iterator[Block]:
        """What is held, as a block: the last one."""
        if self._used:
            yield Block(self._held[:, : self._used].copy(), self._rate, self._first)
            self._first += self._used
            self._used = 0


R = TypeVar("R", covariant=True)


class Meter(Protocol[R]):
    """What gathers one measure."""

    def add(self, block: Block) -> None: ...

    def result(self) -> R: ...


def run(meter: Meter[R], samples: npt.NDArray[np.floating], rate: int) -> R:
    """Put all of `samples`, (samples, channels), full scale ±1, through a meter.

    Raises ValueError for another shape.
    """
    if samples.ndim != 2:
        raise ValueError("samples have the shape (samples, channels)")
    cutting = Cutting(samples.shape[1], rate)
    for block in (*cutting.add(np.asarray(samples.T, np.float32)), *cutting.rest()):
        meter.add(block)
    return meter.result()


def to_db(power: npt.ArrayLike) -> Numbers:
    """Power (mean square, or an amplitude squared) in dB, not below FLOOR_DB."""
    return np.asarray(10 * np.log10(np.maximum(np.asarray(power, np.float64), _TINY)))


def power_of(spectrum: npt.NDArray[np.complexfloating]) -> npt.NDArray[np.floating]:
    """Squared magnitudes; twice as quick as with the root that is then squared."""
    return np.asarray(spectrum.real**2 + spectrum.imag**2)


class Keeping:
    """Gathers events of one channel that come in order. Those less than `join` seconds apart share a span."""

    def __init__(self, join: float = 0.0) -> None:
        self._join = join
        self._count, self._seconds = 0, 0.0
        self._kept: list[Span] = []
        self._last = -np.inf

    def add(self, first: float, last: float, level: float, count: int = 1) -> None:
        self._count += count
        self._seconds += last - first
        if self._kept and first - self._last <= self._join:
            if len(self._kept) <= MOST_SPANS and self._last == self._kept[-1].last:
                before = self._kept[-1]
                self._kept[-1] = Span(before.first, last, max(before.level, level))
        elif len(self._kept) < MOST_SPANS:
            self._kept.append(Span(first, last, level))
        self._last = last

    def spans(self) -> Spans:
        kept = tuple(Span(round(s.first, 4), round(s.last, 4), round(s.level, 2)) for s in self._kept)
        return Spans(self._count, round(self._seconds, 4), kept)


class Curve:
    """A curve of a length not known beforehand, one row a channel: when its points run out, pairs are joined.

    `mean`: joined by their mean (powers, shares), or by the larger (peaks).
    """

    def __init__(self, channels: int, mean: bool) -> None:
        self._values = np.zeros((channels, MOST_POINTS), np.float64)
        self._mean = mean
        self._each, self._used, self._pending = 1, 0, 0
        self._open = np.zeros(channels)

    def add(self, values: npt.ArrayLike) -> None:
        """One point, (channels,)."""
        point = np.asarray(values, np.float64)
        if self._used == MOST_POINTS:
            left, right = self._values[:, 0::2], self._values[:, 1::2]
            self._values[:, : MOST_POINTS // 2] = (
                (left + right) / 2 if self._mean else np.maximum(left, right)
            )
            self._each, self._used = self._each * 2, MOST_POINTS // 2
        self._open = self._joined(point)
        self._pending += 1
        if self._pending == self._each:
            self._close()

    def _joined(self, point: Numbers) -> Numbers:
        if not self._pending:
            return point
        if self._mean:
            return (self._open * self._pending + point) / (self._pending + 1)
        return np.maximum(self._open, point)

    def _close(self) -> None:
        self._values[:, self._used] = self._open
        self._used += 1
        self._pending = 0

    def result(self) -> tuple[Numbers, int]:
        """The points, (channels, points), and how many of those that were added each stands for."""
        if self._pending and self._used < MOST_POINTS:
            self._close()
        return self._values[:, : self._used].copy(), self._each


def whole(values: Numbers) -> tuple[int, ...]:
    """Rounded to whole numbers, which is all a curve is drawn with."""
    return tuple(int(one) for one in np.rint(values))
