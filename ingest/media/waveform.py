"""The envelope of a sound file: the lowest and highest sample of each channel, column by column.

Memory is bounded whatever the length. A short file is decoded whole; of a long one, a fixed stretch at each
column is, and the caption says so.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import av
import numpy as np
import numpy.typing as npt
from av.audio.frame import AudioFrame
from av.audio.stream import AudioStream
from av.container import InputContainer

from ingest.media.drawing import Envelope
from ingest.media.facts import FAULT, Facts, Noticed
from ingest.media.opened import has_decoder, packets_of

WHOLE_SECONDS = 600  # decoded whole up to this length; beyond it, this many seconds in all
MAX_CHANNELS = 16
_BLOCK = 64  # samples in the finest column
_MAX_BLOCKS = 4096
_CODED_SAMPLES = 4096  # the longest block of a transform codec

Samples = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Waveform:
    """`lows`, `highs` of shape (channels, columns), full scale ±1; low > high where nothing was read."""

    lows: Envelope
    highs: Envelope
    caption: str


def take_waveform(
    source: InputContainer, facts: Facts, columns: int
) -> tuple[Waveform | None, list[Noticed]]:
    """The waveform of all sound tracks, at most 16 channels. None, and a finding, when no sample decodes."""
    length = _seconds(source, facts)
    reader = _Reader(source)
    if length is not None and length > WHOLE_SECONDS and columns > 0:
        envelope = _sampled(reader, length, columns)
        said = f", {WHOLE_SECONDS / columns:.1f} s read of each {float(length) / columns:.0f} s"
    else:
        envelope = _whole(reader)
        said = ""
    noticed = _problems(reader)
    if envelope is None:
        return None, noticed
    lows, highs = envelope
    clock = _clock_text(length if length is not None else Fraction(reader.samples, max(1, reader.rate)))
    shown = min(reader.channels, MAX_CHANNELS)
    channels = f"{reader.channels} channels" if reader.channels != 1 else "1 channel"
    some = f", first {shown} shown" if shown < reader.channels else ""
    return Waveform(lows, highs, f"{clock}, {channels}{some}{said}"), noticed


class _Reader:
    """Decoded samples of all sound tracks. `channels` counts them all, `errors` the packets left out."""

    def __init__(self, source: InputContainer) -> None:
        self.source = source
        self.streams = [stream for stream in source.streams.audio if has_decoder(stream)]
        counts = [stream.codec_context.channels for stream in self.streams]
        self.first_channel = {s.index: sum(counts[:i]) for i, s in enumerate(self.streams)}
        self.channels = sum(counts)
        self.rate = self.streams[0].codec_context.sample_rate or 0 if self.streams else 0
        self.samples = 0
        self.errors = 0

    def blocks(self) -> Iterator[tuple[AudioStream, AudioFrame]]:
        if not self.streams:
            return
        packets = packets_of(self.source, self.streams)
        while True:
            try:
                packet = next(packets)
                frames = packet.decode()
            except StopIteration:
                return
            except av.FFmpegError as error:
                self.errors += 1
                if not isinstance(error, av.InvalidDataError):
                    return
                continue
            for frame in frames:
                if isinstance(frame, AudioFrame) and isinstance(packet.stream, AudioStream):
                    yield packet.stream, frame


def samples_of(frame: AudioFrame) -> Samples:
    """The frame's samples as float32 of shape (channels, samples), full scale ±1."""
    raw: npt.NDArray[Any] = frame.to_ndarray()
    kind = raw.dtype
    planes: Samples = raw.astype(np.float32)
    if not frame.format.is_planar:
        planes = np.ascontiguousarray(planes.reshape(-1, frame.layout.nb_channels).T)
    if kind.kind == "u":  # 8-bit PCM is unsigned, with silence at 128
        return planes / np.float32(128) - np.float32(1)
    if kind.kind == "i":
        return planes / np.float32(2 ** (8 * kind.itemsize - 1))
    return planes


class _Folding:
    """An envelope of a length not known beforehand: when its columns run out, pairs are folded into one."""

    def __init__(self, channels: int) -> None:
        self._lows = np.full((channels, _MAX_BLOCKS), np.inf, np.float32)
        self._highs = np.full((channels, _MAX_BLOCKS), -np.inf, np.float32)
        self._size = _BLOCK
        self._used = 0

    def add(self, row: int, start: int, samples: Samples) -> None:
        """Samples of consecutive channels from `row` on, the first of them number `start` of the file."""
        end = start + samples.shape[1]
        while end > self._size * _MAX_BLOCKS:
            self._fold()
        first = start // self._size
        edges = np.arange(first * self._size, end, self._size) - start
        edges[0] = 0
        rows = slice(row, min(row + samples.shape[0], self._lows.shape[0]))
        columns = slice(first, first + len(edges))
        kept = samples[: rows.stop - rows.start]
        self._lows[rows, columns] = np.fmin(
            self._lows[rows, columns], np.minimum.reduceat(kept, edges, axis=1)
        )
        self._highs[rows, columns] = np.fmax(
            self._highs[rows, columns], np.maximum.reduceat(kept, edges, axis=1)
        )
        self._used = max(self._used, columns.stop)

    def _fold(self) -> None:
        for values, pick, empty in ((self._lows, np.fmin, np.inf), (self._highs, np.fmax, -np.inf)):
            values[:, : _MAX_BLOCKS // 2] = pick(values[:, 0::2], values[:, 1::2])
            values[:, _MAX_BLOCKS // 2 :] = empty
        self._size *= 2
        self._used = (self._used + 1) // 2

    def result(self) -> tuple[Envelope, Envelope] | None:
        return (self._lows[:, : self._used], self._highs[:, : self._used]) if self._used else None


def _whole(reader: _Reader) -> tuple[Envelope, Envelope] | None:
    folding = _Folding(min(reader.channels, MAX_CHANNELS))
    position = dict.fromkeys(reader.first_channel, 0)
    for stream, frame in reader.blocks():
        row, start = reader.first_channel[stream.index], position[stream.index]
        if row < MAX_CHANNELS and frame.samples:
            folding.add(row, start, samples_of(frame))
        position[stream.index] = start + frame.samples
        reader.samples = max(reader.samples, start + frame.samples)
    return folding.result()


def _sampled(reader: _Reader, length: Fraction, columns: int) -> tuple[Envelope, Envelope] | None:
    channels = min(reader.channels, MAX_CHANNELS)
    lows = np.full((channels, columns), np.inf, np.float32)
    highs = np.full((channels, columns), -np.inf, np.float32)
    stretch = Fraction(WHOLE_SECONDS, columns)
    for column in range(columns):
        try:
            reader.source.seek(int(length * column / columns * av.time_base))
        except av.FFmpegError:
            reader.errors += 1
            continue
        wanted = {
            stream.index: int(stretch * (stream.codec_context.sample_rate or 0)) for stream in reader.streams
        }
        primed = set() if column else set(wanted)
        for stream, frame in reader.blocks():
            if stream.index not in primed and frame.samples <= _CODED_SAMPLES:
                primed.add(stream.index)
                continue  # a transform codec's first block after a seek lacks its overlap, and clicks
            row, left = reader.first_channel[stream.index], wanted[stream.index]
            if left > 0 and row < MAX_CHANNELS and frame.samples:
                samples = samples_of(frame)[: channels - row, :left]
                rows = slice(row, row + samples.shape[0])
                lows[rows, column] = np.fmin(lows[rows, column], samples.min(axis=1))
                highs[rows, column] = np.fmax(highs[rows, column], samples.max(axis=1))
                reader.samples += samples.shape[1]
            wanted[stream.index] = left - frame.samples
            if max(wanted.values()) <= 0:
                break
    return (lows, highs) if reader.samples else None


def _seconds(source: InputContainer, facts: Facts) -> Fraction | None:
    if facts.samples and facts.audio_rate:
        return Fraction(facts.samples, facts.audio_rate)
    return Fraction(source.duration, av.time_base) if source.duration else None


def _clock_text(length: Fraction) -> str:
    seconds = int(length)
    tenths = int(length * 10) % 10
    return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}.{tenths}"


def _problems(reader: _Reader) -> list[Noticed]:
    if reader.errors == 0 and reader.samples:
        return []
    return [
        Noticed(
            "decode-errors" if reader.samples else "sound-unreadable",
            FAULT,
            f"Packets of the sound that could not be decoded: {reader.errors}."
            if reader.samples
            else "No sample of the sound could be decoded.",
            value=reader.errors,
            unit="packets",
            rule="Every packet decodes.",
        )
    ]
