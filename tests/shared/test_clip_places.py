"""Places in a clip as people write them. Labels are those of `shared.timecode`, which its own tests compare
with the standard; times are arithmetic."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.catalogue.clip_places import place_text, read_frame
from shared.errors import AppError
from shared.models import Clip, ClipMedia

PAL = Clip(media=ClipMedia.VIDEO, rate_num=25, rate_den=1, start_frame=90_000, drop_frame=False)
DROP = Clip(media=ClipMedia.VIDEO, rate_num=30_000, rate_den=1001, start_frame=1798, drop_frame=True)
BARE = Clip(media=ClipMedia.VIDEO, rate_num=60, rate_den=1, start_frame=None, drop_frame=False)
SOUND = Clip(media=ClipMedia.AUDIO, rate_num=48_000, rate_den=1, start_frame=None, drop_frame=False)
UNKNOWN = Clip(media=ClipMedia.VIDEO, rate_num=None, rate_den=None, start_frame=None, drop_frame=False)


@pytest.mark.parametrize(
    ("clip", "text", "frame"),
    [
        (PAL, "12", 12),
        (PAL, "01:00:01:05", 30),
        (PAL, "0:01.2", 30),
        (PAL, "1:00:00", 90_000),
        (PAL, "1.21", 30),
        (PAL, "2 s", 50),
        (DROP, "00:01:00;02", 2),  # ;00 and ;01 of that minute are no labels (SMPTE ST 12-1)
        (BARE, "00:00:01:05", 65),
        (SOUND, "0:01.001", 48_048),
        (UNKNOWN, "7", 7),
    ],
)
def test_a_place_is_read(clip: Clip, text: str, frame: int) -> None:
    assert read_frame(clip, text) == frame


@pytest.mark.parametrize(
    ("clip", "text"),
    [(PAL, "01:00:00:25"), (PAL, ""), (PAL, "-1"), (PAL, "\u0661"), (PAL, "9" * 13), (DROP, "00:01:00;00"),
     (SOUND, "00:00:01:05"), (UNKNOWN, "0:01.0")],
)  # fmt: skip
def test_what_is_no_place_is_refused(clip: Clip, text: str) -> None:
    with pytest.raises(AppError) as refused:
        read_frame(clip, text)
    assert refused.value.remedy


@given(st.sampled_from([PAL, DROP, BARE, UNKNOWN]), st.integers(0, 2_000_000))
def test_what_is_written_is_read_back(clip: Clip, frame: int) -> None:
    assert read_frame(clip, place_text(clip, frame)) == frame


@given(st.integers(0, 48_000 * 86_400))
def test_a_sound_is_written_to_half_a_millisecond(sample: int) -> None:
    assert abs(Fraction(read_frame(SOUND, place_text(SOUND, sample)) - sample, 48_000)) <= Fraction(1, 2000)
