"""All measures of one track, in one go over its samples."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future
from dataclasses import replace

import numpy as np

from ingest.measure.sound_blocks import Block, Cutting, Samples, block_length, whole
from ingest.measure.sound_claps import ClapMeter
from ingest.measure.sound_clipping import ClipMeter
from ingest.measure.sound_dropouts import DropoutMeter
from ingest.measure.sound_hum import HumMeter
from ingest.measure.sound_level import LevelMeter
from ingest.measure.sound_loudness import LoudnessMeter
from ingest.measure.sound_low import Lowering
from ingest.measure.sound_numbers import Channel, Loudness, Span, Spans
from ingest.measure.sound_speech import SpeechMeter
from ingest.measure.sound_tone import ToneMeter
from ingest.measure.sound_true_peak import TruePeakMeter
from ingest.measure.sound_wind import WindMeter
from ingest.measure.sound_zero import ZeroMeter

_MOST_GAPS = 1000
_MOST_VALUE = 64.0  # +36 dBFS: beyond it, sound in floating point is garbage


class Clock:
    """Where a sample of a track belongs: its start, and the holes before it, in seconds."""

    def __init__(self) -> None:
        self.start = 0.0
        self.gaps, self.gap_seconds = 0, 0.0
        self._at: list[float] = []
        self._before: list[float] = [0.0]

    def add_gap(self, at: float, seconds: float) -> None:
        """A hole of `seconds` after `at` seconds of samples."""
        self.gaps += 1
        self.gap_seconds += seconds
        if len(self._at) < _MOST_GAPS:
            self._at.append(at)
            self._before.append(self.gap_seconds)

    def place(self, seconds: float) -> float:
        """Seconds of samples as seconds of the file."""
        return round(self.start + seconds + self._before[bisect_right(self._at, seconds)], 4)

    def placed(self, spans: Spans) -> Spans:
        kept = (Span(self.place(s.first), self.place(s.last), s.level) for s in spans.kept)
        return replace(spans, kept=tuple(kept))


class TrackMeter:
    """Measures a track of `channels` channels at `rate` Hz. `hear` is given each block, about a second.

    What lies below 4 kHz is measured by `helper`, on a second core where there is one; without it, in turn.
    """

    def __init__(
        self,
        rate: int,
        channels: int,
        weights: Sequence[float],
        hear: Callable[[Block], None],
        helper: Executor | None = None,
    ) -> None:
        self.rate, self.channels, self.samples = rate, channels, 0
        self.clock = Clock()
        self._hear, self._helper = hear, helper
        self._aside: Future[None] | None = None
        self._cutting = Cutting(channels, rate)
        self._levels = LevelMeter(rate, channels)
        self._zeros = ZeroMeter(rate, channels)
        self._clipping = ClipMeter(rate, channels)
        self._true_peak = TruePeakMeter(rate, channels)
        self._loudness = LoudnessMeter(rate, channels, weights)
        self._dropouts = DropoutMeter(rate, channels)
        self._lowering = Lowering(rate, channels)
        self._hum = HumMeter(self._lowering.rate, channels)
        self._wind = WindMeter(self._lowering.rate, channels)
        self._speech = SpeechMeter(self._lowering.rate, channels)
        self._tone = ToneMeter(self._lowering.rate, channels)
        self._claps = ClapMeter(rate, channels)

    def add(self, planes: Samples) -> None:
        """Samples of shape (channels, samples), full scale ±1, which follow those before."""
        self.samples += planes.shape[1]
        for block in self._cutting.add(planes):
            self._measure(block)

    def finish(self) -> None:
        """There are no more samples."""
        for block in self._cutting.rest():
            self._measure(block)
        if self._aside is not None:
            self._aside.result()

    def _measure(self, block: Block) -> None:
        if not np.isfinite(block.planes.sum()) or np.abs(block.planes).max() > _MOST_VALUE:
            sane = np.nan_to_num(block.planes, nan=0.0, posinf=0.0, neginf=0.0)
            block = Block(sane.clip(-_MOST_VALUE, _MOST_VALUE), block.rate, block.first)
        if self._aside is not None:
            self._aside.result()  # blocks come in order, and no more than two are held
        if self._helper is not None:
            self._aside = self._helper.submit(self._measure_low, block)
        else:
            self._measure_low(block)
        for meter in (self._levels, self._zeros, self._clipping, self._true_peak, self._loudness):
            meter.add(block)
        self._dropouts.add(block)
        self._claps.add(block)
        self._hear(block)

    def _measure_low(self, block: Block) -> None:
        low = self._lowering.add(block)
        self._hum.add(low)
        self._wind.add(low)
        self._speech.add(low)
        self._tone.add(low)

    def result(self, track: int, first_channel: int) -> tuple[list[Channel], Loudness]:
        """Each channel, numbered from `first_channel` on, and the loudness of all together."""
        peaks, powers, each = self._levels.curves()
        alone, together = self._loudness.result()
        place = self.clock.placed
        results = (
            *(self._levels.result(), self._zeros.result(), self._clipping.result()),
            *(self._true_peak.result(), alone, self._hum.result()),
            *(self._wind.result(), self._dropouts.result(), self._speech.result()),
            *(self._tone.result(), self._claps.result()),
        )
        channels = []
        for row, of_channel in enumerate(zip(*results, strict=True)):
            levels, zeros, clipping, true_peak, loudness, hum, wind, dropouts, speech, tone, claps = (
                of_channel
            )
            channels.append(
                Channel(
                    number=first_channel + row,
                    track=track,
                    start=round(self.clock.start, 4),
                    seconds=round(self.samples / self.rate, 4),
                    curve_seconds=round(each * block_length(self.rate) / self.rate, 6),
                    peak_curve=whole(peaks[row]),
                    rms_curve=whole(powers[row]),
                    levels=levels,
                    zeros=replace(zeros, runs=place(zeros.runs)),
                    clipping=replace(clipping, tops=place(clipping.tops)),
                    true_peak=replace(true_peak, second=self.clock.place(true_peak.second)),
                    loudness=loudness,
                    hum=hum,
                    wind=replace(wind, bumps=place(wind.bumps)),
                    dropouts=place(dropouts),
                    speech=speech,
                    tone=tone,
                    claps=place(claps),
                )
            )
        return channels, together
