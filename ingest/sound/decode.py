"""The sound of a file as one channel at a low rate: streamed, bounded, in its true place in time.

Runs in a child process. Memory is that of the samples asked for, whatever the file holds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np
from av.audio.frame import AudioFrame
from av.audio.resampler import AudioResampler
from av.audio.stream import AudioStream
from av.container import InputContainer
from av.stream import Discard

from ingest.media.limits import no_new_files, open_media
from ingest.media.opened import has_decoder, opened, packets_of, picture_stream
from ingest.media.waveform import samples_of
from ingest.sound.whiten import Signal
from shared.errors import MediaError

MOST_SECONDS = 2 * 3600
_LEAST_RATE, _MOST_RATE = 1000, 768_000
_BATCH = 1 << 16  # samples put through the resampler at once
_WEIGHTS: Signal = (1 / np.arange(1, 65)).astype(np.float32)
_GAP_SECONDS = 0.05  # time stamps may jitter; only a hole this long is filled with silence


@dataclass(frozen=True, slots=True)
class Part:
    """A file of a clip, and the second of the clip at which it begins."""

    path: Path
    start: float


def decode_parts(parts: list[Part], rate: int, first: float, last: float) -> Signal:
    """The clip's sound from `first` to `last` seconds, `rate` samples a second; what is missing is zeros.

    Raises MediaError when a file can't be opened, or no sample of any of them decodes.
    """
    first = max(0.0, first)
    last = min(last, first + MOST_SECONDS)
    out = np.zeros(max(0, round((last - first) * rate)), np.float32)
    heard = 0
    for index, part in enumerate(parts):
        until = parts[index + 1].start if index + 1 < len(parts) else last
        if part.start >= last or until <= first:
            continue
        for at, samples in decode(part.path, rate, first - part.start, min(last, until) - part.start):
            place = round((part.start - first) * rate) + at
            heard += _put(out, place, samples, round((until - first) * rate))
    if not heard:
        raise MediaError("no sample of the sound could be decoded")
    return out


def trimmed(signal: Signal) -> Signal:
    """Without the zeros at its end: where a header promised more than there is."""
    loud = np.flatnonzero(signal)
    return signal[: int(loud[-1]) + 1] if len(loud) else signal[:0]


def _put(out: Signal, place: int, samples: Signal, end: int) -> int:
    low, high = max(0, place), min(len(out), end, place + len(samples))
    if low >= high:
        return 0
    out[low:high] = samples[low - place : high - place]
    return high - low


def decode(path: Path, rate: int, first: float, last: float) -> Iterator[tuple[int, Signal]]:
    """The first sound track of a file that decodes, its channels summed, from `first` to `last` seconds.

    Yields runs of samples with the place of each, counted in samples from the file's own beginning: that of
    its picture where it has one. Channel 1 counts whole, channel 2 half, channel 3 a third: a plain sum would
    cancel a pair of opposite polarity, and where microphones stand apart, one has to decide.
    Raises MediaError when there is no such track.
    """
    with open_media(path) as file, no_new_files(), opened(file) as source:
        stream = next((one for one in source.streams.audio if has_decoder(one)), None)
        if stream is None or not _LEAST_RATE <= (stream.codec_context.sample_rate or 0) <= _MOST_RATE:
            raise MediaError("has no sound that can be decoded")
        begins = _beginning(source, stream)
        for other in source.streams:
            if other.index != stream.index:
                other.discard = Discard.all  # a picture's packets are then not even read
        if first > 1:
            _seek(source, begins + first - 1)
        yield from _resampled(_runs(source, stream, begins, last), stream, rate)


def _beginning(source: InputContainer, stream: AudioStream) -> float:
    """The time stamp, in seconds, of the file's first picture, or of its first sample without one."""
    leading = picture_stream(source) or stream
    if leading.start_time is None or leading.time_base is None:
        return 0.0
    return float(leading.start_time * leading.time_base)


def _seek(source: InputContainer, seconds: float) -> None:
    try:
        source.seek(int(seconds * av.time_base))
    except av.FFmpegError:
        return  # then from the start; what is too early is left out


def _runs(
    source: InputContainer, stream: AudioStream, begins: float, last: float
) -> Iterator[tuple[float, Signal]]:
    """Decoded samples, channels summed, each with its second in the file. Packets that fail are left out."""
    packets = packets_of(source, stream)
    expected: float | None = None
    base = None if stream.time_base is None else float(stream.time_base)
    while True:
        try:
            frames = next(packets).decode()
        except StopIteration:
            return
        except av.FFmpegError as error:
            if not isinstance(error, av.InvalidDataError):
                return
            continue
        for frame in frames:
            if not isinstance(frame, AudioFrame) or not frame.samples or not frame.sample_rate:
                continue
            at = expected if expected is not None else 0.0
            if frame.pts is not None and base is not None:
                stamped = frame.pts * base - begins
                if expected is None or abs(stamped - expected) > _GAP_SECONDS:
                    at = stamped
            if at >= last:
                return
            yield at, _summed(frame)
            expected = at + frame.samples / frame.sample_rate


def _summed(frame: AudioFrame) -> Signal:
    planes = samples_of(frame)
    summed = _WEIGHTS[: len(planes)] @ planes[: len(_WEIGHTS)]
    return np.asarray(summed, np.float32)


def _resampled(
    runs: Iterator[tuple[float, Signal]], stream: AudioStream, rate: int
) -> Iterator[tuple[int, Signal]]:
    """The runs at `rate`. After a jump in time it begins anew, so that no sample is put beside its place."""
    run: _Run | None = None
    for at, samples in runs:
        if run is not None and abs(at - run.until) > _GAP_SECONDS / 2:
            yield from run.rest()
            run = None
        if run is None:
            run = _Run(at, stream.codec_context.sample_rate, rate)
        yield from run.add(samples)
    if run is not None:
        yield from run.rest()


class _Run:
    """Samples without a gap, on their way from one rate to another, a batch at a time."""

    def __init__(self, start: float, given: int, rate: int) -> None:
        self._start, self._given, self._rate = start, given, rate
        self._resampler = AudioResampler(format="flt", layout="mono", rate=rate)
        self._batch: list[Signal] = []
        self._held, self._taken, self._made = 0, 0, 0

    @property
    def until(self) -> float:
        """The second at which the next sample belongs."""
        return self._start + (self._taken + self._held) / self._given

    def add(self, samples: Signal) -> Iterator[tuple[int, Signal]]:
        self._batch.append(samples)
        self._held += len(samples)
        if self._held >= _BATCH:
            yield from self._push()

    def rest(self) -> Iterator[tuple[int, Signal]]:
        """What is still held, and what the resampler keeps back."""
        if self._held:
            yield from self._push()
        yield from self._out(self._resampler.resample(None))

    def _push(self) -> Iterator[tuple[int, Signal]]:
        # Sound in floating point may hold infinities, and what is no number at all.
        whole = np.nan_to_num(np.concatenate(self._batch), nan=0.0, posinf=0.0, neginf=0.0).clip(-64, 64)
        frame = AudioFrame.from_ndarray(whole[np.newaxis], format="flt", layout="mono")
        frame.sample_rate = self._given
        frame.pts = None
        self._taken += self._held
        self._batch, self._held = [], 0
        yield from self._out(self._resampler.resample(frame))

    def _out(self, frames: list[AudioFrame]) -> Iterator[tuple[int, Signal]]:
        for frame in frames:
            samples = frame.to_ndarray().reshape(-1).astype(np.float32, copy=False)
            yield round(self._start * self._rate) + self._made, samples
            self._made += len(samples)
