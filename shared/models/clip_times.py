"""What a clip's counts mean in time: shared by the mapped row and by rows read without it."""

from __future__ import annotations

import enum
from fractions import Fraction
from typing import TYPE_CHECKING

from shared.timecode import Rate, Timecode


class ClipMedia(enum.StrEnum):
    VIDEO = "video"
    AUDIO = "audio"
    IMAGE = "image"
    UNKNOWN = "unknown"  # a media file nobody could read


class ClipTimes:
    """Exact times of a clip from the columns that hold them."""

    __slots__ = ()

    if TYPE_CHECKING:  # the mapped class has columns here, another one fields

        @property
        def media(self) -> ClipMedia: ...
        @property
        def rate_num(self) -> int | None: ...
        @property
        def rate_den(self) -> int | None: ...
        @property
        def capture_num(self) -> int | None: ...
        @property
        def capture_den(self) -> int | None: ...
        @property
        def frames(self) -> int | None: ...
        @property
        def start_frame(self) -> int | None: ...
        @property
        def drop_frame(self) -> bool: ...

    @property
    def rate(self) -> Rate | None:
        """Frames a second. None: unknown, or a clip that has no frames."""
        if self.media is not ClipMedia.VIDEO or self.rate_num is None or self.rate_den is None:
            return None
        return Rate(self.rate_num, self.rate_den)

    @property
    def per_second(self) -> Fraction | None:
        """What `frames` counts, a second: frames of a picture, samples of a sound. None: unknown."""
        if self.rate_num is None or self.rate_den is None:
            return None
        return Fraction(self.rate_num, self.rate_den)

    @property
    def capture_rate(self) -> Fraction | None:
        """Pictures a second at which it was taken, where a file states it or its times suggest it.

        `capture_certainty` says which: "stated", "suggested", or "none". None: not known to differ from
        `rate`.
        """
        if self.media is not ClipMedia.VIDEO or not self.capture_num or not self.capture_den:
            return None
        return Fraction(self.capture_num, self.capture_den)

    @property
    def real_seconds(self) -> Fraction | None:
        """How long the recording took, exact. It plays for `frames / per_second`, longer in slow motion.

        A capture rate that is only suggested counts: it is the best that is known.
        """
        per_second = self.capture_rate or self.per_second
        return None if self.frames is None or not per_second else self.frames / per_second

    @property
    def start_timecode(self) -> Timecode | None:
        rate = self.rate
        if self.start_frame is None or rate is None:
            return None
        return Timecode(self.start_frame, rate, self.drop_frame)
