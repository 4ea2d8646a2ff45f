"""One pass over the sound of a file: every packet is decoded once, and every measure taken of it.

Memory does not grow with the length. Runs in a child process under limits, see `ingest.media.pool`.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor, ThreadPoolExecutor
from pathlib import Path

import av
import numpy as np
from av.audio.frame import AudioFrame
from av.audio.stream import AudioStream
from av.container import InputContainer
from av.packet import Packet
from av.stream import Discard

from ingest.measure.sound_blocks import Block, Samples
from ingest.measure.sound_loudness import weights_of
from ingest.measure.sound_numbers import MOST_CHANNELS, SoundMeasured, Timing
from ingest.measure.sound_pairs import PairMeter
from ingest.measure.sound_track import TrackMeter
from ingest.media.limits import no_new_files, open_media
from ingest.media.opened import has_decoder, opened, packets_of, picture_stream
from ingest.media.waveform import samples_of
from shared.errors import MediaError

_LEAST_RATE, _MOST_RATE = 4000, 384_000
_GAP_SECONDS = 0.05  # time stamps may jitter; only a longer hole is one
_MOST_BEHIND = 8  # blocks that one track may be ahead of another and still be compared with it
_BATCH_SECONDS = 0.25  # what is gathered before it is converted: packets may be tiny


def measure_sound(path: Path) -> SoundMeasured:
    """All numbers of the sound in the file at `path`, up to 16 channels over all its tracks.

    No channels: it was recorded without sound. Raises MediaError when the file can't be opened or read, or
    has sound of which nothing decodes.
    """
    with (
        ThreadPoolExecutor(1, "sound") as helper,
        open_media(path) as file,
        no_new_files(),
        opened(file) as source,
    ):
        return _Pass(source, helper).run()


class _Pass:
    def __init__(self, source: InputContainer, helper: Executor) -> None:
        self._source = source
        self._errors, self._left_out = 0, 0
        self._tracks: dict[int, _Track] = {}
        used = 0
        for stream in source.streams.audio:
            count = stream.codec_context.channels if has_decoder(stream) else 0
            rate = (stream.codec_context.sample_rate or 0) if count else 0
            taken = min(count, MOST_CHANNELS - used)
            if taken <= 0 or not _LEAST_RATE <= rate <= _MOST_RATE:
                self._left_out += 1
                continue
            self._left_out += taken < count
            self._tracks[stream.index] = _Track(stream, used, taken, self._hear, helper)
            used += taken
        for other in source.streams:
            if other.index not in self._tracks:
                other.discard = Discard.all  # a picture's packets are then not even read
        self._pairing = _Pairing(list(self._tracks.values()), used)

    def run(self) -> SoundMeasured:
        if not self._source.streams.audio:
            return self._result()  # recorded without: no fault
        if not self._tracks:
            raise MediaError("has no sound that can be decoded")
        begins = _beginning(self._source)
        packets = packets_of(self._source, [one.stream for one in self._tracks.values()])
        while True:
            try:
                packet = next(packets)
                self._decode(packet, begins)
            except StopIteration:
                break
            except av.FFmpegError as error:
                self._errors += 1
                if not isinstance(error, av.InvalidDataError):
                    break  # the file can't be read on
        for track in self._tracks.values():
            track.finish()
        if not any(track.meter.samples for track in self._tracks.values()):
            raise MediaError("has sound, but no sample of it could be decoded")
        return self._result()

    def _decode(self, packet: Packet[AudioStream], begins: float | None) -> None:
        track = self._tracks[packet.stream.index]
        for frame in packet.decode():
            if isinstance(frame, AudioFrame) and frame.samples and not track.take(frame, begins):
                self._errors += 1

    def _hear(self, track: _Track, block: Block) -> None:
        self._pairing.add(track, block)

    def _result(self) -> SoundMeasured:
        channels, programmes, timing = [], [], []
        for number, track in enumerate(self._tracks.values()):
            if not track.meter.samples:
                self._left_out += 1
                continue
            of_track, programme = track.meter.result(number, track.first_channel)
            channels += of_track
            programmes.append(programme)
            timing.append(track.timing(number))
        picture = picture_stream(self._source)
        length = None
        if picture is not None and picture.duration and picture.time_base:
            length = round(float(picture.duration * picture.time_base), 4)
        return SoundMeasured(
            tuple(channels),
            self._pairing.meter.result(),
            tuple(programmes),
            tuple(timing),
            length,
            self._errors,
            self._left_out,
            "Sound that could not be read was left out." if self._errors else None,
        )


class _Track:
    """One stream on its way to its measures. Channels count over all tracks from `first_channel` on."""

    def __init__(
        self,
        stream: AudioStream,
        first_channel: int,
        channels: int,
        hear: Callable[[_Track, Block], None],
        helper: Executor,
    ) -> None:
        self.stream, self.first_channel = stream, first_channel
        codec = stream.codec_context
        self._given, self._channels = codec.channels, channels
        names = [channel.name for channel in codec.layout.channels][:channels]
        self.meter = TrackMeter(
            codec.sample_rate, channels, weights_of(names), lambda block: hear(self, block), helper
        )
        self._first: float | None = None
        self._expected: float | None = None
        self._batch: list[Samples] = []
        self._waiting = 0

    def take(self, frame: AudioFrame, begins: float | None) -> bool:
        """Take a decoded frame. False: it is not like the rest of the track, and was left out."""
        meter = self.meter
        if frame.sample_rate != meter.rate or frame.layout.nb_channels != self._given:
            return False
        if frame.pts is not None and frame.time_base is not None:
            at = float(frame.pts * frame.time_base)
            if self._first is None:
                self._first = at
                meter.clock.start = 0.0 if begins is None else at - begins
            elif self._expected is not None and at - self._expected > _GAP_SECONDS:
                meter.clock.add_gap((meter.samples + self._waiting) / meter.rate, at - self._expected)
                self._expected = at
            self._expected = (at if self._expected is None else self._expected) + frame.samples / meter.rate
            # The stamps are rounded: only where they have run away from the samples do they win.
            if abs(at + frame.samples / meter.rate - self._expected) > _GAP_SECONDS:
                self._expected = at + frame.samples / meter.rate
        self._batch.append(samples_of(frame)[: self._channels])
        self._waiting += frame.samples
        if self._waiting >= _BATCH_SECONDS * meter.rate:
            self._flush()
        return True

    def finish(self) -> None:
        self._flush()
        self.meter.finish()

    def timing(self, number: int) -> Timing:
        meter, clock = self.meter, self.meter.clock
        stamped = None
        if self._first is not None and self._expected is not None:
            stamped = round(self._expected - self._first - clock.gap_seconds, 4)
        return Timing(
            *(number, meter.rate, meter.samples, round(meter.samples / meter.rate, 4)),
            *(stamped, clock.gaps, round(clock.gap_seconds, 4)),
        )

    def _flush(self) -> None:
        if self._batch:
            self.meter.add(np.concatenate(self._batch, axis=1))
            self._batch, self._waiting = [], 0


class _Pairing:
    """Brings blocks of all tracks of one rate together. One far behind is not waited for."""

    def __init__(self, tracks: list[_Track], channels: int) -> None:
        self.meter = PairMeter(channels)
        self._channels = channels
        self._rate = tracks[0].meter.rate if tracks else 0
        self._number = sum(track.meter.rate == self._rate for track in tracks)
        self._waiting: dict[int, list[tuple[int, Block]]] = {}

    def add(self, track: _Track, block: Block) -> None:
        if block.rate != self._rate:
            return
        self._waiting.setdefault(block.first, []).append((track.first_channel, block))
        if len(self._waiting[block.first]) == self._number:
            self._compare(self._waiting.pop(block.first))
        while len(self._waiting) > _MOST_BEHIND:
            self._compare(self._waiting.pop(min(self._waiting)))

    def _compare(self, blocks: list[tuple[int, Block]]) -> None:
        shortest = min(block.planes.shape[1] for _, block in blocks)
        planes = np.zeros((self._channels, shortest), np.float32)  # what is not there has no sound
        for first, block in blocks:
            planes[first : first + len(block.planes)] = block.planes[:, :shortest]
        self.meter.add_planes(planes, shortest / self._rate)


def _beginning(source: InputContainer) -> float | None:
    """The time stamp, in seconds, of the file's first picture; None where it has none."""
    picture = picture_stream(source)
    if picture is None or picture.start_time is None or picture.time_base is None:
        return None
    return float(picture.start_time * picture.time_base)
