"""A container open for decoding, and what its demuxer says of it. Runs in the child process."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import Any, BinaryIO

import av
import av.audio.stream
import av.subtitles.codeccontext
import av.subtitles.stream  # loaded lazily by av.open, when no file may be opened any more
from av.container import InputContainer
from av.packet import Packet
from av.stream import Disposition, Stream
from av.video.stream import VideoStream

from ingest.media.facts import TEXT_LIMITS, Facts
from ingest.media.numbers import LARGEST
from ingest.media.sniff import container_of
from shared.errors import MediaError

DECODER_THREADS = 2
MAX_PIXELS = 200_000_000  # one decoded picture; beyond it a header is taken to lie
_TAIL_SECONDS = (2, 20)  # how far before the end to look for the last picture


@contextlib.contextmanager
def opened(file: BinaryIO) -> Iterator[InputContainer]:
    """Open the container in `file`, by the demuxer its first bytes call for, with no way to other files.

    Raises MediaError when it is not on the list or FFmpeg can't read its header.
    """
    container = container_of(file)
    if container.is_picture:
        raise MediaError("is a still picture, not a clip")
    options = {
        "format_whitelist": ",".join(container.demuxers),  # FFmpeg checks it before it reads a header
        "protocol_whitelist": "none",  # a name that is none: nothing nested can be opened
    }
    try:
        source = av.open(file, "r", options=options, metadata_errors="replace", buffer_size=262_144)
    except av.FFmpegError as error:
        raise MediaError(f"has a header that can't be read ({error.strerror})") from error
    with source:
        yield source


def picture_stream(source: InputContainer) -> VideoStream | None:
    """The first stream of moving pictures. Cover art inside a sound file is none."""
    for stream in source.streams.video:
        if not stream.disposition & (Disposition.attached_pic | Disposition.timed_thumbnails):
            return stream
    return None


def has_decoder(stream: Stream) -> bool:
    """PyAV leaves the codec out, against its typing, where FFmpeg knows no decoder."""
    return getattr(stream, "codec_context", None) is not None


def packets_of(source: InputContainer, streams: Stream | Sequence[Stream]) -> Iterator[Packet[Any]]:
    """The packets of these streams from here on. Raises av.FFmpegError where the file can't be read on."""
    wanted = streams if isinstance(streams, Sequence) else [streams]
    while True:
        try:
            yield from source.demux(wanted)
            return
        except IndexError:
            continue  # a transport stream that began midway, which PyAV does not expect: not ours, go on


def check_size(stream: VideoStream) -> None:
    """Raises MediaError where nothing decodes the pictures, or would allocate ones of an absurd size."""
    if not has_decoder(stream):
        raise MediaError("holds pictures that no decoder here reads")
    if not 0 < stream.codec_context.width * stream.codec_context.height <= MAX_PIXELS:
        raise MediaError(
            f"claims pictures of {stream.codec_context.width} × {stream.codec_context.height} pixels"
        )


def missing(facts: Facts, found: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in found.items() if getattr(facts, name) is None}


def picture_facts(stream: VideoStream) -> dict[str, Any]:
    if not has_decoder(stream):
        return {}
    codec = stream.codec_context
    return {
        "video_codec": codec.name[: TEXT_LIMITS["video_codec"]],
        "width": codec.width or None,
        "height": codec.height or None,
        "bit_depth": _bit_depth(stream),
        "frames": stream.frames or None,
    }


def sound_facts(source: InputContainer) -> dict[str, Any]:
    streams = [stream for stream in source.streams.audio if has_decoder(stream)]
    if not streams:
        return {}
    codec = streams[0].codec_context
    return {
        "audio_codec": codec.name[: TEXT_LIMITS["audio_codec"]],
        "audio_channels": sum(stream.codec_context.channels for stream in streams) or None,
        "audio_tracks": len(source.streams.audio),
        "audio_rate": codec.sample_rate or None,
    }


def facts_rate(facts: Facts) -> Fraction | None:
    return Fraction(facts.rate_num, facts.rate_den) if facts.rate_num and facts.rate_den else None


def _bit_depth(stream: VideoStream) -> int | None:
    pixels = stream.codec_context.format
    depths = {component.bits for component in pixels.components} if pixels is not None else set()
    return depths.pop() if len(depths) == 1 else None


def frames_by_last_picture(source: InputContainer, stream: VideoStream, rate: Fraction) -> int | None:
    """Pictures from the first to the last at a constant rate: a stream without an index says no count."""
    base, first, length = stream.time_base, stream.start_time, source.duration
    if base is None or first is None or length is None:
        return None
    for seconds in _TAIL_SECONDS:
        target = max(0, length - seconds * av.time_base) + (source.start_time or 0)
        last: int | None = None
        try:
            source.seek(target)
            for packet in packets_of(source, stream):
                if packet.pts is not None and (last is None or packet.pts > last):
                    last = packet.pts
        except av.FFmpegError:
            continue
        if last is not None and last >= first:
            frames = round((last - first) * base * rate) + 1
            return frames if frames < LARGEST else None
    return None
