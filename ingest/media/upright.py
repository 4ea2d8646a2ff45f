"""From a decoded frame to a picture for people: right colours, right shape, right way up."""

from __future__ import annotations

from fractions import Fraction

from av.video.frame import VideoFrame
from av.video.reformatter import ColorRange, Colorspace, Interpolation
from av.video.stream import VideoStream
from PIL import Image

from ingest.media.facts import Facts

_HD_LINES = 720
_MAX_SHAPE = 8  # a still at most this many times as high as wide, or the other way round
# Average over the area a still's pixel covers, and convert colour without shortcuts.
_EXACT = Interpolation.AREA | Interpolation.ACCURATE_RND | Interpolation.FULL_CHR_H_INT
_TURNS = {
    90: Image.Transpose.ROTATE_270,  # Pillow turns anticlockwise
    180: Image.Transpose.ROTATE_180,
    270: Image.Transpose.ROTATE_90,
}
# ITU-T H.273, matrix coefficients that can be converted from: RGB, BT.709, FCC, BT.601 twice, 240M, BT.2020.
_KNOWN_MATRICES = frozenset((0, 1, 4, 5, 6, 7, 9))


def upright_picture(frame: VideoFrame, stream: VideoStream, facts: Facts, width: int) -> Image.Image:
    """The frame in RGB, square pixels, upright, `width` pixels wide or its own width where that is less."""
    # The display matrix as FFmpeg gives it is anticlockwise.
    turn = -frame.rotation % 360 or facts.rotation or 0
    turn = round(turn / 90) * 90 % 360
    across, down = still_size(frame.width, frame.height, stream.sample_aspect_ratio, turn, width)
    if turn in (90, 270):
        across, down = down, across
    rgb = frame.reformat(
        width=across,
        height=down,
        format="rgb24",
        src_colorspace=_matrix(frame),
        dst_color_range=ColorRange.JPEG,
        interpolation=_EXACT,
        threads=1,
    )
    image: Image.Image = rgb.to_image()  # type: ignore[no-untyped-call]
    return image.transpose(_TURNS[turn]) if turn else image


def still_size(width: int, height: int, shape: Fraction | None, turn: int, wanted: int) -> tuple[int, int]:
    """Width and height of the upright still of a `width` × `height` picture with pixels of that shape."""
    across, down = Fraction(width) * (shape or 1), Fraction(height)
    if turn in (90, 270):
        across, down = down, across
    ratio = min(max(down / across, Fraction(1, _MAX_SHAPE)), Fraction(_MAX_SHAPE))
    still = max(1, min(wanted, round(across)))
    return still, max(1, round(still * ratio))


def _matrix(frame: VideoFrame) -> Colorspace | None:
    """None for the matrix the frame states; else by size: BT.601 below 720 lines (common practice)."""
    if frame.colorspace in _KNOWN_MATRICES:
        return None
    return Colorspace.ITU709 if frame.height >= _HD_LINES else Colorspace.ITU601
