"""Clips: one recording written as the camera in question would write it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from av.audio.stream import AudioStream
from av.container import OutputContainer
from av.video.reformatter import Colorspace, VideoReformatter
from av.video.stream import VideoStream
from PIL import Image

from sample_media.landscapes import Painter
from sample_media.paint import FRAME
from sample_media.scenes import BurnIn, Move, frame_picture, place_window
from sample_media.sound import SAMPLE_RATE, hear, to_pcm16
from shared.timecode import Rate, Timecode

# Code points of ITU-T H.273 for ITU-R BT.709 in limited range, which is what the cameras claim and write.
_BT709 = 1
_LIMITED_RANGE = 1


@dataclass(frozen=True)
class Format:
    """What one camera records: container, exact rate, and the codec of its sound, if it has any."""

    container: str
    rate: Rate
    audio_codec: str | None


FORMATS = {
    "A": Format("mov", Rate(25), "pcm_s16le"),
    "B": Format("mp4", Rate(50), "aac"),
    "D": Format("mp4", Rate(30000, 1001), None),
}


@dataclass(frozen=True)
class Recording:
    """One file to be recorded: a stretch of a take. A take in two files is two of these."""

    name: str
    """Burnt into the picture."""
    painter: Painter | None
    """None records sound alone."""
    move: Move
    sound: str
    microphones: tuple[str, ...]
    first_sample: int
    """Of the file, counted from local midnight at 48 kHz."""
    timecode: Timecode | None
    """Of the file's first frame."""
    first_frame: int
    """Of the file within the take."""
    frames: int
    take_frames: int
    stamp: datetime
    """Goes into the header where UTC belongs, whether or not it is."""


def write_recording(path: Path, recording: Recording, form: Format) -> None:
    """Write the media file. The same recording gives the same bytes on the same machine.

    Raises OSError when the file can't be written.
    """
    # bitexact keeps the writer's version out of the file; write_tmcd gives MP4 the track that MOV has anyway.
    options = {"fflags": "+bitexact"}
    if form.container == "mp4" and recording.timecode is not None:
        options["write_tmcd"] = "1"
    with av.open(str(path), "w", format=form.container, options=options) as container:
        container.metadata["creation_time"] = f"{recording.stamp:%Y-%m-%dT%H:%M:%S}.000000Z"
        video = _add_video(container, recording, form) if recording.painter is not None else None
        audio = _add_audio(container, form) if form.audio_codec is not None else None
        heard = _hear(recording, form) if audio is not None else None
        frames = render_frames(recording, form.rate)
        reformatter = VideoReformatter()
        for index in range(recording.frames):
            if video is not None:
                container.mux(video.encode(_to_video_frame(next(frames), reformatter, index, form.rate)))
            if audio is not None and heard is not None:
                span = slice(_sample_at(index, form.rate), _sample_at(index + 1, form.rate))
                container.mux(audio.encode(_to_audio_frame(heard[span], span.start)))
        for stream in (video, audio):
            if stream is not None:
                container.mux(stream.encode(None))


def render_frames(recording: Recording, rate: Rate) -> Iterator[Image.Image]:
    """The pictures of a recording in order, at frame size, name and running time burnt in."""
    if recording.painter is None:
        return
    burn_in = BurnIn.with_name(recording.name)
    for index in range(recording.frames):
        place = recording.first_frame + index
        seconds = float(rate.frames_to_seconds(place))
        box = place_window(recording.move, place / max(1, recording.take_frames - 1), seconds)
        frame = frame_picture(recording.painter(seconds), box)
        running = str(recording.timecode + index) if recording.timecode else f"{seconds:05.2f} s"
        burn_in.draw(frame, running)
        yield frame


def _add_video(container: OutputContainer, recording: Recording, form: Format) -> VideoStream:
    # One thread, no B-frames, a key frame each second: the bytes don't depend on the machine's cores, and the
    # first frame is shown at once, as a camera's would be.
    options = {"preset": "veryfast", "crf": "27", "bf": "0", "g": str(form.rate.nominal)}
    stream = container.add_stream("libx264", rate=form.rate.fraction, options=options)
    stream.width, stream.height = FRAME
    stream.pix_fmt = "yuv420p"
    stream.time_base = 1 / form.rate.fraction
    context = stream.codec_context
    context.thread_count = 1
    context.color_primaries = context.color_trc = context.colorspace = _BT709
    context.color_range = _LIMITED_RANGE
    if recording.timecode is not None:
        stream.metadata["timecode"] = str(recording.timecode)
    return stream


def _add_audio(container: OutputContainer, form: Format) -> AudioStream:
    stream = container.add_stream(form.audio_codec or "", rate=SAMPLE_RATE, layout="stereo")
    assert isinstance(stream, AudioStream)
    if form.audio_codec == "aac":
        stream.bit_rate = 96_000
    return stream


def _hear(recording: Recording, form: Format) -> np.ndarray[tuple[int, int], np.dtype[np.int16]]:
    count = _sample_at(recording.frames, form.rate)
    return to_pcm16(hear(recording.sound, recording.first_sample, count, recording.microphones))


def _sample_at(frame: int, rate: Rate) -> int:
    return int(rate.frames_to_seconds(frame) * SAMPLE_RATE)


def _to_video_frame(
    picture: Image.Image, reformatter: VideoReformatter, index: int, rate: Rate
) -> av.VideoFrame:
    frame = av.VideoFrame.from_ndarray(np.asarray(picture), format="rgb24")
    # The reformatter is kept from frame to frame: setting one up costs as much as using it.
    frame = reformatter.reformat(
        frame, format="yuv420p", src_colorspace=Colorspace.ITU709, dst_colorspace=Colorspace.ITU709
    )
    frame.pts, frame.time_base = index, 1 / rate.fraction
    return frame


def _to_audio_frame(samples: np.ndarray[tuple[int, int], np.dtype[np.int16]], first: int) -> av.AudioFrame:
    frame = av.AudioFrame.from_ndarray(samples.reshape(1, -1), format="s16", layout="stereo")
    frame.sample_rate = SAMPLE_RATE
    frame.pts, frame.time_base = first, Fraction(1, SAMPLE_RATE)
    return frame
