"""One clip's picture, decoded once for all measures: a few pictures of all of it, then stretches whole.

The coarse pass takes key frames some seconds apart. The dense pass decodes the windows that these make
worth it, see `picture_windows`. What is kept of a picture is a few hundred numbers, so memory does not
grow with its size, and with a clip's length by some 20 KB a second of dense pass.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import islice
from pathlib import Path

import av
import numpy as np
import numpy.typing as npt
from av.container import InputContainer
from av.packet import Packet
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from ingest.measure.ahead import ahead
from ingest.measure.focus_hunting import find_swings
from ingest.measure.focus_rack import find_racks
from ingest.measure.focus_sharpness import CENTRE, Box, DetailTrack, measure_detail, sharpness
from ingest.measure.focus_tracks import Following
from ingest.measure.picture_faces import face_finder
from ingest.measure.picture_flicker import measure_flicker, row_profile
from ingest.measure.picture_frame import Reduced, read_plane
from ingest.measure.picture_framing import measure_framing, reduce_framing
from ingest.measure.picture_keys import KeyDecoder
from ingest.measure.picture_levels import (
    CodeRange,
    Histogram,
    count_codes,
    measure_flat_top,
    measure_levels,
    measure_structure,
)
from ingest.measure.picture_looks import Looking
from ingest.measure.picture_motion import Blocks, block_spectra, measure_motion
from ingest.measure.picture_numbers import Flicker, PictureNumbers, Sample, Stretch
from ingest.measure.picture_plane import Plane
from ingest.measure.picture_repeats import difference, find_repeats
from ingest.measure.picture_shake import measure_shake
from ingest.measure.picture_tilt import measure_tilt
from ingest.measure.picture_travel import measure_travel
from ingest.measure.picture_windows import CHEAP, Effort, Window, choose_windows
from ingest.media.facts import Facts
from ingest.media.limits import no_new_files, open_media
from ingest.media.opened import DECODER_THREADS, check_size, facts_rate, opened, packets_of, picture_stream
from shared.errors import MediaError

FOCUS_PER_SECOND = 12.5
"""Pictures a second that focus and motion are measured on: three to the fastest swing looked for."""
_MOST_SAMPLES = 2000
_FLICKER_SECONDS = 3.0
_MOST_FRAMES = 400_000  # of one window: four hours at 25 a second
_FOLLOWED = 0.5
_TILT_EVERY, _MOST_TILTS = 3, 9  # samples: it takes longer than all else that is done with one
_AHEAD = 3  # pictures decoded ahead of what is measured
_CHEAP_LINES, _CHEAP_INTRA_LINES, _LOOKED_AT_PACKETS = 720, 1088, 12


def measure_file(path: Path, facts: Facts, effort: Effort | None = None) -> PictureNumbers:
    """All numbers of the picture of the file at `path`, whose `facts` are known; the child's task.

    `path` may be a proxy of the clip where the counts of frames agree. Raises MediaError: no clip, nothing
    decodes, too large or too small a picture.
    """
    face_finder()  # loaded while files may be opened
    with open_media(path) as file, no_new_files(), opened(file) as source:
        stream = picture_stream(source)
        if stream is None:
            raise MediaError("holds no moving picture")
        return measure_picture(source, stream, facts, effort)


def measure_picture(
    source: InputContainer,
    stream: VideoStream,
    facts: Facts,
    effort: Effort | None = None,
    subject: Box = CENTRE,
) -> PictureNumbers:
    """All numbers of `stream`; without an `effort` as much is decoded as its kind allows.

    Raises MediaError when a picture is too large or too small, or nothing of the stream decodes.
    """
    check_size(stream)
    stream.thread_type = "AUTO"
    stream.codec_context.thread_count = DECODER_THREADS
    rate = facts_rate(facts) or stream.average_rate or Fraction(25)
    reader = _Reader(source, stream, facts.rotation or 0)
    seconds = _length(source, stream, facts, rate)
    effort = effort or _effort(source, stream)
    every, finder = max(effort.every_seconds, seconds / _MOST_SAMPLES), face_finder()
    coarse = _Coarse(subject, max(_TILT_EVERY, math.ceil(seconds / every / _MOST_TILTS)))
    looking = Looking(seconds, finder)
    for time, frame in reader.key_frames(seconds, every):
        coarse.see(time, frame)
        looking.see(time, frame.plane)
    if not coarse.samples or coarse.codes is None or coarse.histogram is None:
        raise MediaError("has no picture that could be decoded")
    windows = choose_windows(coarse.samples, seconds, effort)
    stretches = [_stretch(reader, window, float(rate), subject) for window in windows]
    return PictureNumbers(
        seconds=seconds,
        per_second=float(rate),
        bits=coarse.bits,
        is_full_range=coarse.codes.black == 0,
        levels=measure_levels(coarse.histogram, coarse.codes),
        flat_top=measure_flat_top(coarse.histogram, coarse.codes),
        samples=tuple(coarse.samples),
        looks=looking.finish(),
        sought_faces=finder is not None,
        stretches=tuple(one for one in stretches if one is not None),
        framing=measure_framing(coarse.framings),
        errors=reader.errors,
    )


def _effort(source: InputContainer, stream: VideoStream) -> Effort:
    """More for what decodes fast: small pictures, or key frames alone up to 1080 lines."""
    lines = min(stream.codec_context.width, stream.codec_context.height)
    if lines <= _CHEAP_LINES:
        return CHEAP
    try:
        first = list(islice(packets_of(source, stream), _LOOKED_AT_PACKETS))
    except av.FFmpegError:
        return Effort()
    intra = all(packet.is_keyframe for packet in first if packet.size)
    return CHEAP if intra and lines <= _CHEAP_INTRA_LINES else Effort()


def _length(source: InputContainer, stream: VideoStream, facts: Facts, rate: Fraction) -> float:
    if facts.frames:
        return float(facts.frames / rate)
    if stream.duration and stream.time_base:
        return float(stream.duration * stream.time_base)
    return float(Fraction(source.duration or 0, av.time_base))


class _Reader:
    """Pictures of a stream with their time in seconds from its first. `errors`: packets that failed."""

    def __init__(self, source: InputContainer, stream: VideoStream, rotation: int) -> None:
        self._source, self._stream, self._rotation = source, stream, rotation
        self._base = stream.time_base or Fraction(1, av.time_base)
        self._first = stream.start_time or 0
        self.errors = 0

    def key_frames(self, seconds: float, step: float) -> Iterator[tuple[float, Reduced]]:
        """A key frame about every `step` seconds, each decoded alone: those between are never touched."""
        with KeyDecoder(self._stream, self._rotation) as decoder:
            last = -1.0
            for stamp, frame in decoder.decoded(self._key_packets(seconds, step)):
                if (time := self._time(stamp)) > last:
                    last = time
                    yield time, frame
            self.errors += decoder.errors

    def _key_packets(self, seconds: float, step: float) -> Iterator[Packet[VideoStream]]:
        """The key packet before each wanted time, once."""
        wanted, last = 0.0, -1.0
        while wanted <= max(seconds, 0.0):
            packet = self._key_packet_at(wanted)
            if packet is not None and packet.pts is not None and (time := self._time(packet.pts)) > last:
                last = time
                yield packet
            wanted = max(wanted, last) + step

    def _key_packet_at(self, seconds: float) -> Packet[VideoStream] | None:
        try:
            self._source.seek(self._stamp(seconds), stream=self._stream)
            for packet in packets_of(self._source, self._stream):
                if packet.dts is not None and packet.is_keyframe:
                    return packet
        except av.FFmpegError:
            self.errors += 1
        return None

    def window(self, window: Window) -> Iterator[tuple[float, Plane, bool]]:
        """Every picture from the first to the last second of `window`, and whether it is a key frame."""
        context = self._stream.codec_context
        first, last = window
        try:
            self._source.seek(self._stamp(first), stream=self._stream)
        except av.FFmpegError:
            self.errors += 1
            return
        context.flush_buffers()
        packets = packets_of(self._source, self._stream)
        while True:
            try:
                packet = next(packets)
                pictures = packet.decode()
            except StopIteration:
                return
            except av.FFmpegError as error:
                self.errors += 1
                if not isinstance(error, av.InvalidDataError):
                    return  # the file can't be read on, as against one bad packet
                continue
            for picture in pictures:
                if not isinstance(picture, VideoFrame) or picture.pts is None or picture.is_corrupt:
                    continue
                time = self._time(picture.pts)
                if time > last:
                    return
                if time >= first - 1e-6:
                    yield time, read_plane(picture, self._rotation), picture.key_frame

    def _stamp(self, seconds: float) -> int:
        return self._first + int(seconds / self._base)

    def _time(self, stamp: int) -> float:
        return float((stamp - self._first) * self._base)


@dataclass(slots=True)
class _Coarse:
    """The coarse pass as it goes on."""

    subject: Box
    tilt_every: int
    samples: list[Sample] = field(default_factory=list)
    framings: list[Plane] = field(default_factory=list)
    histogram: Histogram | None = None
    codes: CodeRange | None = None
    bits: int = 8
    _before: tuple[Plane, Blocks] | None = None

    def see(self, time: float, frame: Reduced) -> None:
        codes = CodeRange.of(frame.bits, frame.is_full)
        counts = count_codes(frame.luma, frame.bits)
        if self.histogram is None or self.codes != codes:
            self.histogram, self.codes, self.bits = counts, codes, frame.bits
        else:
            self.histogram = self.histogram + counts
        track = DetailTrack.of([measure_detail(frame.plane)])
        inside = self.subject.tiles()
        spectra = block_spectra(frame.plane)
        moved = differs = None
        if self._before is not None and self._before[0].shape == frame.plane.shape:
            motion = measure_motion(self._before[1], spectra, *frame.plane.shape)
            moved = float(np.hypot(motion.right, motion.down)) if motion.sure >= _FOLLOWED else None
            differs = difference(self._before[0], frame.plane)
        self._before = (frame.plane, spectra)
        self.framings.append(reduce_framing(frame.plane))
        self.samples.append(
            Sample(
                time=time,
                subject=float(sharpness(track, inside).mean()),
                background=float(sharpness(track, ~inside).mean()),
                levels=measure_levels(counts, codes),
                structure=measure_structure(frame.plane),
                tilt=measure_tilt(frame.plane) if len(self.samples) % self.tilt_every == 0 else None,
                moved=moved,
                difference=differs,
            )
        )


@dataclass(slots=True)
class _Dense:
    """The dense pass of one window as it goes on."""

    step: int  # every how many pictures focus and motion are looked at
    times: list[float] = field(default_factory=list)
    following: Following = field(default_factory=Following)
    profiles: list[npt.NDArray[np.float64]] = field(default_factory=list)
    differences: list[float] = field(default_factory=list)
    _before: Plane | None = None
    _keyed: bool = False

    def see(self, time: float, plane: Plane, keyed: bool) -> None:
        if self._before is not None and self._before.shape != plane.shape:
            return  # the size changed midway: what follows can't be compared
        self.differences.append(0.0 if self._before is None else difference(self._before, plane))
        self._before = plane
        self._keyed |= keyed
        self.profiles.append(row_profile(plane))
        if len(self.times) % self.step == 0:
            self.following.see(time, plane, self._keyed)
            self._keyed = False
        self.times.append(time)


def _stretch(reader: _Reader, window: Window, rate: float, subject: Box) -> Stretch | None:
    """What one window gives; None where fewer than three pictures of it decode."""
    dense = _Dense(max(1, int(rate / FOCUS_PER_SECOND)))
    with closing(ahead(reader.window(window), _AHEAD)) as pictures:
        for time, plane, keyed in pictures:
            dense.see(time, plane, keyed)
            if len(dense.times) >= _MOST_FRAMES:
                break
    if len(dense.following) < 3:
        return None
    tracks = dense.following.tracks()
    inside = subject.tiles()
    near, far = (sharpness(tracks.detail, which).mean(axis=1) for which in (inside, ~inside))
    swings = [find_swings(tracks, which) for which in (inside, ~inside)]
    step = float(np.median(np.diff(tracks.times)))
    return Stretch(
        start=dense.times[0],
        end=dense.times[-1],
        frames=len(dense.times),
        shake=measure_shake(tracks.motion, 1 / step),
        travel=measure_travel(tracks.motion, 1 / step),
        subject=swings[0],
        background=swings[1],
        racks=find_racks(tracks.times, near, swings[0]),
        flicker=_flicker(np.array(dense.profiles), rate),
        repeats=find_repeats(np.array(dense.differences)),
        sharpness_step=step,
        sharpness=tuple(
            (round(float(one), 4), round(float(other), 4)) for one, other in zip(near, far, strict=True)
        ),
    )


def _flicker(profiles: npt.NDArray[np.float64], rate: float) -> tuple[Flicker, ...]:
    """The clearest of each supply over pieces of some seconds: between them the scene moves."""
    length = max(16, round(_FLICKER_SECONDS * rate))
    pieces = [profiles[at : at + length] for at in range(0, max(1, len(profiles) - length + 1), length)]
    found: dict[int, list[Flicker]] = {}
    for piece in pieces:
        for one in measure_flicker(piece, rate):
            found.setdefault(one.supply, []).append(one)
    return tuple(sorted(many, key=lambda one: one.above)[len(many) // 2] for many in found.values())
