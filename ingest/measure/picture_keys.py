"""Key frames, each decoded by itself: no picture between them is touched, and two are decoded at a time.

A decoder with several threads works on one picture after another only when it is fed them in a row. A key
frame needs none before it; so each gets a decoder of one thread, and there are as many as cores are used.
"""

from __future__ import annotations

import queue
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial

import av
from av.packet import Packet
from av.video.codeccontext import VideoCodecContext
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from ingest.measure.picture_frame import Reduced, read_frame
from ingest.media.opened import DECODER_THREADS

_ALONE = frozenset(("h264", "hevc"))  # whose decoders need nothing of the container but its extradata

Key = tuple[int, Reduced]


class KeyDecoder:
    """Decodes key packets of one stream. A context manager; `errors` counts those that failed."""

    def __init__(self, stream: VideoStream, rotation: int) -> None:
        self._stream, self._rotation = stream, rotation
        self._idle: queue.SimpleQueue[VideoCodecContext] = queue.SimpleQueue()
        self._workers: ThreadPoolExecutor | None = None
        if stream.codec_context.name in _ALONE:
            for _ in range(DECODER_THREADS):
                self._idle.put(self._alone())
            self._workers = ThreadPoolExecutor(DECODER_THREADS, "keys")
        self.errors = 0

    def __enter__(self) -> KeyDecoder:
        return self

    def __exit__(self, *_: object) -> None:
        if self._workers is not None:
            self._workers.shutdown(cancel_futures=True)

    def decoded(self, packets: Iterator[Packet[VideoStream]]) -> Iterator[Key]:
        """Time stamp and reduced picture of each packet that decodes, in their order."""
        if self._workers is None:
            for packet in packets:
                yield from self._counted(partial(self._decode, self._stream.codec_context, packet))
            return
        waiting: deque[Future[Key | None]] = deque()
        for packet in packets:
            waiting.append(self._workers.submit(self._borrow, packet))
            if len(waiting) > DECODER_THREADS:  # one more than is being decoded: nobody waits for the disk
                yield from self._counted(waiting.popleft().result)
        while waiting:
            yield from self._counted(waiting.popleft().result)

    def _counted(self, take: Callable[[], Key | None]) -> Iterator[Key]:
        try:
            found = take()
        except av.FFmpegError:
            self.errors += 1
            return
        if found is not None:
            yield found

    def _alone(self) -> VideoCodecContext:
        context = av.CodecContext.create(self._stream.codec_context.name, "r")
        assert isinstance(context, VideoCodecContext), "made by the name of one that decodes pictures"
        context.extradata = self._stream.codec_context.extradata
        context.thread_count = 1
        return context

    def _borrow(self, packet: Packet[VideoStream]) -> Key | None:
        context = self._idle.get()
        try:
            return self._decode(context, packet)
        finally:
            self._idle.put(context)

    def _decode(self, context: VideoCodecContext, packet: Packet[VideoStream]) -> Key | None:
        try:
            pictures = [*context.decode(packet), *context.decode(None)]
        finally:
            context.flush_buffers()
        for picture in pictures:
            if isinstance(picture, VideoFrame) and picture.pts is not None and not picture.is_corrupt:
                return picture.pts, read_frame(picture, self._rotation)
        return None
