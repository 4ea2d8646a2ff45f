"""Flatten sound in time and in frequency, so that a correlation of it hears every moment and pitch alike.

A voice is loud for a syllable and strong at a few pitches; correlated as it is, one loud word or the hum of a
lamp decides everything. Here each short frame keeps the phase of every frequency and loses its size.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import scipy.fft

Signal = npt.NDArray[np.float32]
"""One channel of samples, one dimension."""

LOWEST_HZ = 150.0  # below it stand mains hum, handling and wind
FRAME_SECONDS = 0.128  # about a syllable
_FRAMES_AT_ONCE = 2048
# A bin this far below the strongest frame of the file is rounding, not sound.
_FLOOR = 1e-6


def flatten(signal: Signal, rate: int, *, every: int = 1) -> Signal:
    """`signal`, with `rate` samples a second, flattened, keeping 1 sample of `every`.

    What comes out has `ceil(len / every)` samples; its band ends at 0.45 of its own rate. Silence, exact
    zeros, stays silence. Raises ValueError unless a frame is a whole number of `every`.
    """
    frame = round(FRAME_SECONDS * rate)
    if frame % (2 * every):
        raise ValueError(f"a frame of {frame} samples can't be thinned by {every}")
    hop, short = frame // 2, frame // every
    window = np.sin(np.pi * (np.arange(frame) + 0.5) / frame).astype(np.float32)
    out_window = np.sin(np.pi * (np.arange(short) + 0.5) / short).astype(np.float32)
    hertz = scipy.fft.rfftfreq(frame, 1 / rate)[: short // 2 + 1]
    band = ((hertz >= LOWEST_HZ) & (hertz <= 0.45 * rate / every)).astype(np.float32)
    # One frame before the start and one behind the end, so that every sample stands in two.
    padded = np.zeros(hop + -(-len(signal) // hop) * hop + frame, np.float32)
    padded[hop : hop + len(signal)] = signal
    frames = np.lib.stride_tricks.sliding_window_view(padded, frame)[::hop]
    floor = np.float32(_FLOOR * (float(np.abs(signal).max()) if len(signal) else 0.0) * frame)
    out = np.zeros(len(padded) // every, np.float32)
    step = hop // every
    for first in range(0, len(frames), _FRAMES_AT_ONCE):
        some = frames[first : first + _FRAMES_AT_ONCE]
        spectra = scipy.fft.rfft(some * window, axis=1)[:, : short // 2 + 1]
        size = np.abs(spectra)
        spectra *= band / np.maximum(size, max(floor, np.finfo(np.float32).tiny))
        parts = scipy.fft.irfft(spectra, n=short, axis=1) * out_window
        _overlap_add(out, parts, first * step, step)
    start = hop // every
    return out[start : start + -(-len(signal) // every)]


def _overlap_add(out: Signal, parts: Signal, start: int, step: int) -> None:
    """Add frames that each begin `step`, half their length, after the one before."""
    even = out[start : start + len(parts) * step]
    even += parts[:, :step].ravel()
    odd = out[start + step : start + step + len(parts) * step]
    odd += parts[:, step:].ravel()[: len(odd)]
