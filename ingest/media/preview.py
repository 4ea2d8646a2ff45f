"""Makes one preview and ends: the picture of a file, small, frame for frame, with its first sound.

H.264 in MP4. Run as `python -m ingest.media.preview MEMORY_MIB SECONDS`: one JSON object on standard input;
on standard output a line for every second of film that is done, and last `done` or `error`. Paths travel as
the hexadecimal of their bytes, since a name on a card need not be text.
"""

from __future__ import annotations

import json
import os
import signal
import sys
from fractions import Fraction
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, BinaryIO

from ingest.media.limits import limit_this_process, no_new_files, open_media
from shared.errors import MediaError

if TYPE_CHECKING:
    from av import AudioFrame, VideoFrame
    from av.audio.stream import AudioStream
    from av.container import OutputContainer
    from av.video.stream import VideoStream

WIDEST = 640
SOUND_RATE = 48_000
# A key frame about twice a second: a hand that goes along the film finds one near.
KEY_SECONDS = Fraction(1, 2)


def main() -> None:
    memory_mib, seconds = int(sys.argv[1]), int(sys.argv[2])
    signal.alarm(seconds)  # not caught, so it ends the process, whatever becomes of the parent
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # a C library that prints must not meet the answer
    limit_this_process(memory_mib)
    request = json.load(sys.stdin.buffer)
    source, into = (Path(os.fsdecode(bytes.fromhex(request[name]))) for name in ("path", "into"))
    rate = Fraction(int(request["num"]), int(request["den"]))
    try:
        with open_media(source) as file, into.open("xb") as film:
            make_preview(file, film, rate, int(request["rotation"]), answers)
        _say(answers, {"done": True})
    except MediaError as error:
        _say(answers, {"error": f"The file {error.message}."})
    except MemoryError:
        _say(answers, {"error": "Making its preview takes more memory than is allowed."})
    except OSError as error:
        _say(answers, {"error": f"The preview can't be written: {error.strerror}."})


def make_preview(file: BinaryIO, film: BinaryIO, rate: Fraction, rotation: int, answers: IO[bytes]) -> None:
    """Every picture stands where the file has it, counted at `rate`: a frame has the same number in both.

    Raises MediaError where there is no picture, or nothing of it can be read.
    """
    # After the limits, which are to count what these reserve; and before no file may be opened any more.
    import av
    import numpy as np  # noqa: F401

    from ingest.media.opened import check_size, opened, packets_of, picture_stream

    with opened(file) as source:
        stream = picture_stream(source)
        if stream is None:
            raise MediaError("holds no moving picture")
        check_size(stream)
        stream.thread_type = "AUTO"
        sound = next((one for one in source.streams.audio if getattr(one, "codec_context", None)), None)
        with av.open(film, "w", format="mp4") as made:
            writer = _Writer(made, stream, sound, rate, rotation, answers)
            with no_new_files():
                for packet in packets_of(source, [stream, sound] if sound is not None else [stream]):
                    try:
                        frames = packet.decode()
                    except av.FFmpegError:
                        continue  # one that can't be read; the next may be
                    for frame in frames:
                        writer.take(frame)
                writer.end()


class _Writer:
    """Takes pictures and sound as they are decoded."""

    def __init__(
        self,
        made: OutputContainer,
        stream: VideoStream,
        sound: AudioStream | None,
        rate: Fraction,
        rotation: int,
        answers: IO[bytes],
    ) -> None:
        import av

        self._made, self._rate, self._answers = made, rate, answers
        self._turns = rotation // 90 % 4
        self._first: Fraction | None = None
        self._last = -1
        shape = stream.sample_aspect_ratio or 1  # of a pixel; those of the preview are square
        width, height = round(stream.codec_context.width * shape), stream.codec_context.height
        wide = max(width, height) if self._turns % 2 else width
        scale = min(Fraction(1), Fraction(WIDEST, wide))
        self._size = (_even(width * scale), _even(height * scale))
        self._film = made.add_stream("libx264", rate=rate)
        self._film.width, self._film.height = self._size[:: -1 if self._turns % 2 else 1]
        self._film.pix_fmt = "yuv420p"
        self._film.gop_size = max(1, round(rate * KEY_SECONDS))
        self._film.max_b_frames = 0  # the order of showing is the order of the file
        self._film.options = {"preset": "veryfast", "crf": "27"}
        self._film.codec_context.time_base = 1 / rate
        self._sound = made.add_stream("aac", rate=SOUND_RATE, layout="stereo") if sound is not None else None
        self._resampler = av.AudioResampler("fltp", "stereo", SOUND_RATE)
        self._samples = 0

    def take(self, frame: Any) -> None:
        from av import VideoFrame

        if isinstance(frame, VideoFrame):
            self._take_picture(frame)
        elif self._sound is not None:
            self._take_sound(frame)

    def _take_picture(self, frame: VideoFrame) -> None:
        if frame.pts is None or frame.time_base is None:
            return
        at = frame.pts * frame.time_base
        if self._first is None:
            self._first = at
        place = round((at - self._first) * self._rate)
        if place <= self._last:
            return
        small = self._turned(frame)
        small.pts, small.time_base = place, 1 / self._rate
        self._made.mux(self._film.encode(small))
        if place // round(self._rate) != self._last // round(self._rate):
            _say(self._answers, {"frames": place})
        self._last = place

    def _turned(self, frame: VideoFrame) -> VideoFrame:
        import numpy as np
        from av import VideoFrame

        small = frame.reformat(*self._size, "rgb24" if self._turns else "yuv420p")
        if not self._turns:
            return small
        upright = np.ascontiguousarray(np.rot90(small.to_ndarray(), -self._turns), np.uint8)
        return VideoFrame.from_ndarray(upright, "rgb24").reformat(format="yuv420p")

    def _take_sound(self, frame: AudioFrame) -> None:
        assert self._sound is not None
        frame.pts = None  # counted here: what is missing between two is not made up, and nothing runs back
        for part in self._resampler.resample(frame):
            part.pts, part.time_base = self._samples, Fraction(1, SOUND_RATE)
            self._samples += part.samples
            self._made.mux(self._sound.encode(part))

    def end(self) -> None:
        if self._last < 0:
            raise MediaError("has no picture that could be decoded")
        self._made.mux(self._film.encode(None))
        if self._sound is not None:
            for part in self._resampler.resample(None):
                part.pts, part.time_base = self._samples, Fraction(1, SOUND_RATE)
                self._made.mux(self._sound.encode(part))
            self._made.mux(self._sound.encode(None))


def _even(length: Fraction) -> int:
    """Colour is kept for each two pixels, so that no side may be odd."""
    return max(2, int(length) // 2 * 2)


def _say(answers: IO[bytes], words: dict[str, Any]) -> None:
    answers.write(json.dumps(words).encode() + b"\n")
    answers.flush()


if __name__ == "__main__":
    main()
