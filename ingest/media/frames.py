"""Take exactly the wanted pictures out of a clip: seek to a key frame before each, then decode up to it."""

from __future__ import annotations

import contextlib
from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from fractions import Fraction

import av
from av.container import InputContainer
from av.video.frame import VideoFrame
from av.video.stream import VideoStream
from PIL import Image

from ingest.media.facts import FAULT, Facts, Noticed
from ingest.media.opened import DECODER_THREADS, check_size, facts_rate, packets_of
from ingest.media.upright import upright_picture

# A variable-rate file is read through once to list its pictures, unless it is larger than this.
LISTED_BYTES = 512 * 2**20
_BACK_SECONDS = (0, 1, 4, 16)  # how much earlier to seek when a key frame lies after the wanted picture
_BEFORE_FIRST_SECONDS = 10  # a search by decoding time has to begin before the first time of showing
# MPEG streams have no index: a seek lands anywhere, and the stamps right behind it can be wrong.
_SEARCHED = frozenset(("mpeg", "mpegts"))
_ON_SECONDS = 1  # wanted pictures closer than this are reached by decoding on
_MAX_PIXELS_TWICE = 10_000_000  # larger pictures (above 4096 × 2304) take too much memory for two decoders
_NEAR = 2  # pictures around the wanted one that are decoded whatever they are


@dataclass(frozen=True, slots=True)
class Shot:
    """`frame` counts from the clip's first picture; None where a varying rate keeps it from being known."""

    frame: int | None
    image: Image.Image


def wanted_frames(frames: int, count: int) -> list[int]:
    """`count` places spread evenly from 10 to 90 % of `frames` (one: the middle), without repeats."""
    if count == 1:
        return [frames // 2]
    return sorted({frames * (count - 1 + 8 * i) // (10 * (count - 1)) for i in range(count)})


class Clock:
    """Which picture a time stamp belongs to: by a constant rate, or by a list of all stamps."""

    def __init__(
        self, base: Fraction, first: int, rate: Fraction, stamps: Sequence[int] = (), exact: bool = True
    ) -> None:
        self._base = base
        self._first = first
        self._rate = rate
        self._stamps = stamps
        self.exact = exact

    def frame_at(self, stamp: int) -> int:
        if self._stamps:
            return max(0, bisect_right(self._stamps, stamp) - 1)
        return round((stamp - self._first) * self._base * self._rate)

    def stamp_of(self, frame: int) -> int:
        if self._stamps:
            return self._stamps[min(frame, len(self._stamps) - 1)]
        return self._first + round(frame / (self._rate * self._base))

    def earlier(self, stamp: int, seconds: int) -> int:
        return stamp - round(seconds / self._base)

    def is_near(self, one: int, other: int) -> bool:
        """Whether the other picture is reached from the one by decoding on."""
        return (self.stamp_of(other) - self.stamp_of(one)) * self._base <= _ON_SECONDS


def take_frames(
    source: InputContainer,
    stream: VideoStream,
    facts: Facts,
    size: int,
    count: int,
    width: int,
    beside: Callable[[], AbstractContextManager[InputContainer]] | None = None,
) -> tuple[list[Shot], list[Noticed]]:
    """Up to `count` pictures of `stream`, `width` pixels wide; fewer where there are fewer to be had.

    `size` is the file's, in bytes. `beside` opens the same file once more; then two decoders of one thread
    each go through a half of the clip. One of two threads gains nothing where all that is wanted is one
    picture here and one there. Raises MediaError for pictures too large to decode.
    """
    check_size(stream)
    rate = facts_rate(facts) or stream.average_rate or Fraction(25)
    clock, frames = _clock(source, stream, facts, rate, size)
    places = wanted_frames(max(1, frames), count)
    pixels = stream.codec_context.width * stream.codec_context.height
    half = (len(places) + 1) // 2
    apart = half < len(places) and not clock.is_near(places[half - 1], places[half])
    if beside is not None and apart and pixels <= _MAX_PIXELS_TWICE:
        with ThreadPoolExecutor(1, "stills") as worker:
            later = worker.submit(_take_beside, beside, stream.index, clock, places[half:], facts, width)
            parts = [_take(source, stream, clock, places[:half], facts, width, 1), later.result()]
    else:
        parts = [_take(source, stream, clock, places, facts, width, DECODER_THREADS)]
    shots = {place: shot for part in reversed(parts) for place, shot in part.shots.items()}
    missed = [place for part in parts for place in part.missed]
    return [shots[place] for place in sorted(shots)], _problems(
        missed, len(shots), sum(part.errors for part in parts)
    )


@dataclass(slots=True)
class _Part:
    """What came of some of the wanted pictures: the shots by the picture that they show."""

    shots: dict[int, Shot] = field(default_factory=dict)
    missed: list[int] = field(default_factory=list)
    errors: int = 0


def _take_beside(
    beside: Callable[[], AbstractContextManager[InputContainer]],
    index: int,
    clock: Clock,
    places: Sequence[int],
    facts: Facts,
    width: int,
) -> _Part:
    with beside() as source:
        stream = source.streams[index]
        assert isinstance(stream, VideoStream), "the same file has the same streams"
        return _take(source, stream, clock, places, facts, width, 1)


def _take(
    source: InputContainer,
    stream: VideoStream,
    clock: Clock,
    places: Sequence[int],
    facts: Facts,
    width: int,
    threads: int,
) -> _Part:
    stream.thread_type = "AUTO"
    stream.codec_context.thread_count = threads
    part = _Part()
    with contextlib.closing(_Decoder(source, stream, clock)) as decoder:
        for wanted, after in zip(places, (*places[1:], None), strict=True):
            found = decoder.reach(wanted, after)
            if found is None or abs(found[0] - wanted) > 1:
                part.missed.append(wanted)
            if found is not None and found[0] not in part.shots:
                place, frame = found
                image = upright_picture(frame, stream, facts, width)
                part.shots[place] = Shot(place if clock.exact else None, image)
    part.errors = decoder.errors
    return part


def _clock(
    source: InputContainer, stream: VideoStream, facts: Facts, rate: Fraction, size: int
) -> tuple[Clock, int]:
    """The clock of the stream and how many pictures it has; 0 where nothing says so."""
    base = stream.time_base or Fraction(1, av.time_base)
    first = _first_stamp(source, stream)
    varying = facts.rate_mode == "variable"
    if varying and size <= LISTED_BYTES:
        stamps = _list_stamps(source, stream)
        if stamps:
            return Clock(base, stamps[0], rate, stamps), len(stamps)
    if facts.frames is not None and not varying:
        return Clock(base, first, rate), facts.frames
    seconds = stream.duration * base if stream.duration else Fraction(source.duration or 0, av.time_base)
    return Clock(base, first, rate, exact=not varying), int(seconds * rate)


def _first_stamp(source: InputContainer, stream: VideoStream) -> int:
    """When the first picture is shown. Not the header's start time, which some formats take from decoding."""
    first: int | None = None
    try:
        for packet in packets_of(source, stream):
            if packet.pts is None or packet.is_discard:
                continue
            if first is not None and packet.dts is not None and packet.dts > first:
                break  # nothing is shown before it is decoded: all further ones are later
            first = packet.pts if first is None else min(first, packet.pts)
    except av.FFmpegError:
        pass  # the decoder, which comes next, says what is wrong
    return first if first is not None else stream.start_time or 0


def _list_stamps(source: InputContainer, stream: VideoStream) -> list[int]:
    try:
        source.seek((stream.start_time or 0) - av.time_base, stream=stream)
        stamps = {packet.pts for packet in packets_of(source, stream) if not packet.is_discard}
    except av.FFmpegError:
        return []
    return sorted(stamp for stamp in stamps if stamp is not None)


class _Decoder:
    """Decodes forward, and seeks back only when it must. `errors` counts packets that would not decode."""

    def __init__(self, source: InputContainer, stream: VideoStream, clock: Clock) -> None:
        self._source, self._stream, self._clock = source, stream, clock
        self._frames: Iterator[VideoFrame] | None = None
        self._at: int | None = None  # the picture decoded last
        self._wanted, self._is_last = 0, True
        self._back = _BACK_SECONDS[1:] if source.format.name in _SEARCHED else _BACK_SECONDS
        self.errors = 0

    def close(self) -> None:
        """Let go of the pictures decoded: they are large, and would stay until garbage is collected."""
        self._frames = None

    def reach(self, wanted: int, after: int | None) -> tuple[int, VideoFrame] | None:
        """The picture `wanted`, or the last one before it that can be decoded. None: there is none.

        `after`: the one that will be wanted next, if any.
        """
        self._wanted, self._is_last = wanted, after is None or not self._clock.is_near(wanted, after)
        if self._at is not None and self._at < wanted and self._clock.is_near(self._at, wanted):
            found = self._decode_to(wanted, None)
            if found is not None:
                return found
        best: tuple[int, VideoFrame] | None = None
        target, first = self._clock.stamp_of(wanted), self._clock.stamp_of(0)
        start = self._clock.earlier(first, _BEFORE_FIRST_SECONDS)
        for stamp in (*(self._clock.earlier(target, seconds) for seconds in self._back), start):
            if not self._seek(max(stamp, start)):
                continue
            found = self._decode_to(wanted, best)
            if found is not None and found[0] <= wanted:
                return found
            best = best or found  # only pictures after the wanted one: look further back
        return best

    def _seek(self, stamp: int) -> bool:
        try:
            self._source.seek(stamp, stream=self._stream)
        except av.FFmpegError:
            return False
        self._frames, self._at = self._decoded(), None
        return True

    def _decode_to(self, wanted: int, best: tuple[int, VideoFrame] | None) -> tuple[int, VideoFrame] | None:
        for frame in self._frames or ():
            stamp = frame.pts if frame.pts is not None else frame.dts
            if stamp is None:
                continue
            self._at = self._clock.frame_at(stamp)
            if self._at == wanted or (self._at > wanted and best is None):
                return self._at, frame
            if self._at > wanted:
                return best
            best = (self._at, frame)
        return best

    def _decoded(self) -> Iterator[VideoFrame]:
        """Pictures in the order of showing, up to the wanted one and what comes out with it.

        A packet that is damaged is counted and left out. On the way, pictures that no other is made from are
        not decoded; and once the wanted one is in, nothing more goes in to make it come out.
        """
        packets, context = packets_of(self._source, self._stream), self._stream.codec_context
        put_in: int | None = None
        while True:
            try:
                packet = next(packets)
                place = None if packet.pts is None else self._clock.frame_at(packet.pts)
                # The second field of a picture may be a packet of its own, with the same stamp or none.
                if self._is_last and put_in == self._wanted and place not in (None, put_in):
                    yield from _whole(context.decode(None))
                    return
                put_in = place if place == self._wanted else put_in
                far = place is not None and place < self._wanted - _NEAR
                context.skip_frame = "NONREF" if far else "DEFAULT"
                pictures = packet.decode()
            except StopIteration:
                return
            except av.FFmpegError as error:
                self.errors += 1
                if not isinstance(error, av.InvalidDataError):
                    return  # the file can't be read on, as against one bad packet
                continue
            yield from _whole(pictures)


def _whole(pictures: Sequence[object]) -> Iterator[VideoFrame]:
    for picture in pictures:
        if isinstance(picture, VideoFrame) and not picture.is_corrupt:
            yield picture


def _problems(missed: Sequence[int], taken: int, errors: int) -> list[Noticed]:
    noticed = []
    if missed:
        said = f"frame {', '.join(map(str, missed))} could not be decoded"
        instead = "; the stills show the nearest that could" if taken else ", nor any other"
        noticed.append(
            Noticed(
                "frames-missing",
                FAULT,
                f"The file is cut short or damaged: {said}{instead}.",
                value=missed[0],
                unit="frame",
                rule="Pictures at 10 to 90 % of the clip can be decoded.",
            )
        )
    if errors:
        noticed.append(
            Noticed(
                "decode-errors",
                FAULT,
                f"Packets of the picture that could not be decoded on the way to the stills: {errors}.",
                value=errors,
                unit="packets",
                rule="Every packet decodes.",
            )
        )
    return noticed
