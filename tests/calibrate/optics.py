"""A lens over a photograph: blur by a true disk, motion during the shutter, noise. All of it in frequencies.

The transfer function of a uniform disk of diameter d is 2 J1(pi d f) / (pi d f), f in cycles a pixel
(J. W. Goodman, Introduction to Fourier Optics, 3rd ed., section 6.4): exact for disks under a pixel too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft
from scipy.special import j1

from ingest.measure.picture_plane import Plane

FRAME = (270, 480)
_CANVAS = FRAME  # one tile of it; mirrored both ways it has no seams
_NO_MOTION = 0.02  # pixels while the shutter is open
_STEP = 0.05  # pixels of diameter between prepared blurs

Spectrum = npt.NDArray[np.complex64]


def disk(diameter: float, across: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Transfer of a uniform disk at the frequencies `across`, cycles a pixel."""
    x = np.pi * diameter * across
    return np.where(x < 1e-4, 1.0, 2 * j1(np.maximum(x, 1e-4)) / np.maximum(x, 1e-4)).astype(np.float32)


def _smear(turns: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Transfer of an even motion: sin(pi x) / (pi x)."""
    x = np.float32(np.pi) * turns
    x[np.abs(x) < 1e-3] = 1e-3
    return np.asarray(np.sin(x) / x)


@dataclass(frozen=True, slots=True)
class View:
    """How a layer is seen in one frame, in pixels: its blur, its place, its motion with the shutter open."""

    diameter: float = 0.0
    right: float = 0.0
    down: float = 0.0
    right_blur: float = 0.0
    down_blur: float = 0.0


class Layer:
    """One photograph as an endless mirrored plane."""

    def __init__(self, photograph: Plane, start: tuple[int, int] = (0, 0)) -> None:
        height, width = (min(a, b) for a, b in zip(_CANVAS, photograph.shape, strict=True))
        top = min(start[0], photograph.shape[0] - height)
        left = min(start[1], photograph.shape[1] - width)
        tile = photograph[top : top + height, left : left + width]
        half = np.concatenate([tile, tile[::-1]])
        whole = np.concatenate([half, half[:, ::-1]], axis=1)
        self._shape = whole.shape
        self._spectrum: Spectrum = fft.rfft2(whole).astype(np.complex64)
        self._down = fft.fftfreq(whole.shape[0]).astype(np.float32)[:, None]
        self._across = fft.rfftfreq(whole.shape[1]).astype(np.float32)[None, :]
        self._radius = np.hypot(self._down, self._across)
        self._blurs: dict[int, Spectrum] = {}
        self._still: dict[int, Plane] = {}

    def seen(self, view: View) -> Plane:
        """The layer through the lens, FRAME pixels, codes."""
        if (view.right, view.down, view.right_blur, view.down_blur) == (0, 0, 0, 0):
            return self._seen_still(view.diameter)
        across = np.exp(-2j * np.pi * view.right * self._across).astype(np.complex64)
        down = np.exp(-2j * np.pi * view.down * self._down).astype(np.complex64)
        spectrum = self._blurred(round(view.diameter / _STEP)) * across
        spectrum *= down
        if max(abs(view.right_blur), abs(view.down_blur)) > _NO_MOTION:
            spectrum *= _smear(self._across * view.right_blur + self._down * view.down_blur)
        return self._back(spectrum)

    def _seen_still(self, diameter: float) -> Plane:
        """Between two prepared blurs, which are near enough for a straight line."""
        low, part = divmod(diameter / _STEP, 1.0)
        first, second = (self._prepared(int(low) + more) for more in (0, 1))
        return np.asarray(first + (second - first) * np.float32(part))

    def _prepared(self, number: int) -> Plane:
        if number not in self._still:
            self._still[number] = self._back(self._blurred(number))
        return self._still[number]

    def _blurred(self, number: int) -> Spectrum:
        if number not in self._blurs:
            if len(self._blurs) > 24:
                self._blurs.clear()
            self._blurs[number] = self._spectrum * disk(number * _STEP, self._radius)
        return self._blurs[number]

    def _back(self, spectrum: Spectrum) -> Plane:
        whole = fft.irfft2(spectrum, s=self._shape)
        return np.asarray(whole[: FRAME[0], : FRAME[1]], np.float32)


def subject_shape(height: float, width: float) -> Plane:
    """A head and shoulders, 1 inside and 0 outside, on a plane of the frame's size; shares of its height."""
    y, x = np.mgrid[0 : FRAME[0], 0 : FRAME[1]].astype(np.float32)
    x, y = (x - FRAME[1] / 2) / FRAME[0], y / FRAME[0]
    head = (x / (width * 0.3)) ** 2 + ((y - (1 - height * 0.72)) / (height * 0.28)) ** 2 < 1
    body = (x / (width * 0.62)) ** 2 + ((y - 1.06) / (height * 0.56)) ** 2 < 1
    return np.asarray((head | body).astype(np.float32) * 255)


def photographed(light: Plane, noise: float, random: np.random.Generator) -> Plane:
    """Sensor noise of `noise` codes at mid grey (more in the light, as photons arrive), then whole codes."""
    grain = random.standard_normal(light.shape, np.float32) * np.sqrt(np.maximum(light, 16) / 128) * noise
    return np.asarray(np.clip(np.rint(light + grain), 0, 255), np.float32)
