"""From a decoded frame to what the measures take: its luma codes as they are, and the small picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from av.video.frame import VideoFrame
from av.video.reformatter import ColorRange, Interpolation

from ingest.measure.picture_plane import Plane, plane_size

_LOOKED_AT = 240  # rows and columns of codes that are counted, at least


@dataclass(frozen=True, slots=True)
class Reduced:
    """`luma`: some of the frame's luma codes, every so many rows and columns, unchanged; `plane`: the small
    picture, upright, in codes of 8 bits of the same range; `bits` and `is_full` say what the codes mean."""

    luma: npt.NDArray[np.uint8] | npt.NDArray[np.uint16]
    bits: int
    is_full: bool
    plane: Plane


def read_frame(frame: VideoFrame, rotation: int = 0) -> Reduced:
    """Reduce one frame; `rotation` is the quarter turns, in degrees clockwise, that show it upright."""
    plane = read_plane(frame, rotation)
    planar = _has_luma(frame)
    codes = frame if planar else frame.reformat(format="gray", dst_color_range=ColorRange.JPEG)
    step = max(1, min(frame.width, frame.height) // _LOOKED_AT)
    luma = _codes(codes, step)
    bits = frame.format.components[0].bits if planar else 8
    return Reduced(luma, bits, _is_full(frame) or not planar, plane)


def read_plane(frame: VideoFrame, rotation: int = 0) -> Plane:
    """The small picture of one frame alone, upright."""
    width, height = plane_size(frame.width, frame.height)
    # Both ranges are called full, so that codes stay what they are.
    small = frame.reformat(
        width=width,
        height=height,
        format="gray",
        src_color_range=ColorRange.JPEG,
        dst_color_range=ColorRange.JPEG,
        interpolation=Interpolation.AREA,
        threads=1,
    )
    plane = _codes(small, 1).astype(np.float32)
    turned = np.rot90(plane, -(rotation // 90) % 4) if rotation % 360 else plane
    return np.ascontiguousarray(turned)


def _has_luma(frame: VideoFrame) -> bool:
    """Whether the first plane is luma alone, one sample in one or two bytes of this machine's order."""
    first = frame.format
    name = first.name
    return (
        not first.is_rgb
        and name.startswith(("yuv4", "yuva4", "yuvj4", "nv12", "nv16", "nv21", "gray"))
        and not name.endswith("be")
        and 8 <= first.components[0].bits <= 16
    )


def _is_full(frame: VideoFrame) -> bool:
    name = frame.format.name
    return name.startswith(("yuvj", "gray")) or int(frame.color_range) == int(ColorRange.JPEG)


def _codes(frame: VideoFrame, step: int) -> npt.NDArray[np.uint8] | npt.NDArray[np.uint16]:
    """Every `step`-th row and column of the first plane, as a copy."""
    plane = frame.planes[0]
    kind = np.dtype(np.uint16 if frame.format.components[0].bits > 8 else np.uint8)
    rows = np.frombuffer(memoryview(plane), np.uint8).reshape(-1, plane.line_size)[: frame.height]
    whole = rows[:, : frame.width * kind.itemsize].view(kind)
    return np.ascontiguousarray(whole[::step, ::step])
