"""Focus that hunts: sharpness that goes up and down again and again, while nothing else in the picture does.

Two steps. `find_swings` lists every stretch in which sharpness swings in a rhythm of 0.3 to 4 Hz, with the
numbers that tell its cause; it decides nothing. `is_hunting` holds those numbers against limits, which
were chosen on labelled clips (tests/calibrate). A rack focus changes once and gives no stretch.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline

from ingest.measure.focus_change import blur_path
from ingest.measure.focus_sharpness import FLOOR, DetailTrack, sharpness
from ingest.measure.focus_tracks import Tracks
from ingest.measure.picture_numbers import Swings

SLOWEST, FASTEST = 0.3, 4.0
"""Hertz. What lenses in search of focus do (common practice, no source)."""
_SLACK = 1.25  # half a swing may be that much slower or faster than the slowest or fastest
_LEAST_TURNS = 4  # half swings
_PROMINENCES = (0.012, 0.024, 0.048, 0.096, 0.2, 0.4)  # changes of log sharpness that count as a turn
_UNEQUAL = 3.0  # neighbouring half swings differ at most by this factor, in size
_FINE_SECONDS = 0.02
_NEAR, _TRIED = 1.4, 141  # how far from the turns' frequency that of the whole is sought, in how many steps

Numbers = npt.NDArray[np.float64]


def find_swings(tracks: Tracks, inside: npt.NDArray[np.bool_]) -> tuple[Swings, ...]:
    """Stretches of swinging sharpness in the tiles `inside` (ROWS, COLUMNS), none overlapping another.

    The tracks hold ten pictures a second or more.
    """
    times, both = tracks.times, sharpness(tracks.detail, inside)
    level = both.mean(axis=1)
    if len(times) < 8 or not level.any():
        return ()
    fine = np.arange(times[0], times[-1], _FINE_SECONDS)
    curve = CubicSpline(times, level)(fine)
    found: list[Swings] = []
    for prominence in _PROMINENCES:
        for turns in _rhythms(fine, curve, _turns(curve, prominence)):
            first, last = _limits(fine, curve, turns)
            here = (times >= first - 1e-6) & (times <= last + 1e-6)
            if here.sum() >= 6:
                found.append(_described(tracks, both, inside, here, fine[turns], curve[turns]))
    return tuple(_best(found))


def _turns(curve: Numbers, prominence: float) -> list[int]:
    """Where the curve turns, up and down by turns, by at least `prominence`; ends excluded."""
    found: list[int] = []
    high = low = 0
    rising: bool | None = None
    for at in range(1, len(curve)):
        high = at if curve[at] > curve[high] else high
        low = at if curve[at] < curve[low] else low
        if rising is not False and curve[high] - curve[at] >= prominence:
            found.append(high)
            rising, low = False, at
        elif rising is not True and curve[at] - curve[low] >= prominence:
            found.append(low)
            rising, high = True, at
    return found


def _rhythms(fine: Numbers, curve: Numbers, turns: Sequence[int]) -> Iterator[list[int]]:
    """Runs of turns whose half swings are neither too slow nor too fast nor too unequal."""
    run: list[int] = list(turns[:1])
    shortest, longest = 0.5 / (FASTEST * _SLACK), 0.5 * _SLACK / SLOWEST
    for before, at in pairwise(turns):
        length = fine[at] - fine[before]
        fits = shortest <= length <= longest
        if fits and len(run) >= 2:
            size, last = abs(curve[at] - curve[before]), abs(curve[before] - curve[run[-2]])
            past = fine[before] - fine[run[-2]]
            fits = max(size / last, last / size) <= _UNEQUAL and max(length / past, past / length) <= 2.2
        if fits:
            run.append(at)
            continue
        if len(run) > _LEAST_TURNS:
            yield run
        run = [before, at] if shortest <= length <= longest else [at]
    if len(run) > _LEAST_TURNS:
        yield run


def _limits(fine: Numbers, curve: Numbers, turns: Sequence[int]) -> tuple[float, float]:
    """From the foot of the first swing to that of the last: up to half a swing beyond the turns."""
    half = (fine[turns[-1]] - fine[turns[0]]) / (len(turns) - 1)
    swing = float(np.median(np.abs(np.diff(curve[list(turns)]))))
    first, last = turns[0], turns[-1]
    reach = round(1.25 * half / _FINE_SECONDS)
    before, after = curve[max(0, first - reach) : first + 1][::-1], curve[last : last + reach + 1]
    return float(fine[first - _foot(before, swing)]), float(fine[last + _foot(after, swing)])


def _foot(curve: Numbers, swing: float) -> int:
    """How many steps the curve goes on from its turn, until it has come to rest or turned."""
    gone = np.abs(curve - curve[0])
    far = int(gone.argmax())
    if gone[far] < 0.4 * swing:
        return 0
    return int(np.argmax(gone >= 0.95 * gone[far]))


def _described(
    tracks: Tracks,
    both: Numbers,
    inside: npt.NDArray[np.bool_],
    here: npt.NDArray[np.bool_],
    turned: Numbers,
    heights: Numbers,
) -> Swings:
    times, detail, motion = tracks.times, tracks.detail, tracks.motion
    wave = _without_slope(both[here].mean(axis=1))
    reach = float((wave**2).sum()) + 1e-12
    across, down = (float((_without_slope(both[here][:, way]) * wave).sum()) / reach for way in (0, 1))
    light = np.log(np.maximum(detail.light[here][:, inside].mean(axis=1), 1.0))
    coarse = np.log(detail.coarse[here][:, :, inside].mean(axis=(1, 2)) + FLOOR)
    agreeing, explained = _agreement(detail, inside, here, wave)
    seconds = float(np.median(np.diff(times)))
    speed = np.hypot(motion.right, motion.down)[here] / seconds
    halves = np.diff(turned)
    # The first and the last half may be stretched by what went before and comes after.
    frequency = _peak(times[here], wave, 0.5 / float(np.median(halves)))
    swing = float(np.median(np.abs(np.diff(heights))))
    steps = np.abs(np.diff(both[here].mean(axis=1)))
    at_keys = _at_keys(both.mean(axis=1), tracks.keyed, here)
    return Swings(
        start=float(times[here][0]),
        end=float(times[here][-1]),
        frequency=frequency,
        cycles=float(times[here][-1] - times[here][0]) * 0.5 / float(halves.mean()),
        swing=swing,
        uneven=float(halves.std() / np.median(halves)),
        one_way=min(across, down) / max(across, down, 1e-9),
        light=abs(float((_without_slope(light.astype(np.float64)) * wave).sum())) / reach,
        coarse=float((_without_slope(coarse.astype(np.float64)) * wave).sum()) / reach,
        agreeing=agreeing,
        explained=explained,
        speed=float(np.median(speed)),
        speed_in_step=_correlation(wave, _without_slope(speed)),
        departing=float(np.median(motion.largest[here])) / seconds,
        blurring=_blurring(tracks, both.mean(axis=1), inside, here, 1 / (frequency * seconds)),
        at_keys=1.0 if at_keys is None else at_keys / swing,
        sudden=float(np.percentile(steps, 95))
        / (swing * _largest_step(frequency, seconds))
        * (at_keys is None),
    )


def _peak(times: Numbers, wave: Numbers, about: float) -> float:
    """Where the spectrum of the wave is highest near the frequency that its turns have; that one where there
    is no peak."""
    tapered = wave * np.hanning(len(wave) + 2)[1:-1]
    tried = about * np.linspace(1 / _NEAR, _NEAR, _TRIED)
    power = np.abs(np.exp(-2j * np.pi * np.outer(tried, times)) @ tapered)
    best = int(power.argmax())
    return float(tried[best]) if 0 < best < len(tried) - 1 else about


def _largest_step(frequency: float, seconds: float) -> float:
    """Of a sine from trough to crest, in `seconds`."""
    return float(np.sin(np.pi * min(0.5, frequency * seconds)))


def _blurring(
    tracks: Tracks, level: Numbers, inside: npt.NDArray[np.bool_], here: npt.NDArray[np.bool_], period: float
) -> float:
    """How well sharpness goes with blur that was measured another way; `period` in frames."""
    path = blur_path(tracks.change, inside)
    width = max(3, round(period))
    return -_correlation(_without_slower(level, width)[here], _without_slower(path, width)[here])


def _without_slower(values: Numbers, width: int) -> Numbers:
    """Less its mean over `width` frames around each, fewer at the ends."""
    sums = np.cumsum(np.r_[0.0, values])
    at = np.arange(len(values))
    first, last = np.maximum(0, at - width // 2), np.minimum(len(values), at + width - width // 2)
    return np.asarray(values - (sums[last] - sums[first]) / (last - first))


def _at_keys(level: Numbers, keyed: npt.NDArray[np.bool_], here: npt.NDArray[np.bool_]) -> float | None:
    """Trough to crest of the sine that the key frames in and next to a stretch would be samples of.

    A key frame is coded by itself: what only the frames between show, the coding has done to them. None
    where there are fewer than three, or hardly anything else.
    """
    keys, inside = np.flatnonzero(keyed), np.flatnonzero(here)
    first, last = np.searchsorted(keys, (inside[0], inside[-1] + 1))
    some = level[keys[max(0, first - 1) : last + 1]]
    return 2 * 2**0.5 * float(some.std()) if len(some) >= 3 and keyed.mean() <= 0.5 else None


def _agreement(
    detail: DetailTrack, inside: npt.NDArray[np.bool_], here: npt.NDArray[np.bool_], wave: Numbers
) -> tuple[float, float]:
    """Share of tiles, by weight, that swing in step with the whole, and how much of their change that is."""
    fine = detail.fine[here][:, :, inside].sum(axis=1)
    coarse = detail.coarse[here][:, :, inside].sum(axis=1)
    level = _without_slope((np.log(fine + FLOOR) - np.log(coarse + FLOOR)).astype(np.float64))
    typical = np.median(fine, axis=0)
    # What the emptiest tile of the picture has is noise, as far as can be known; the others have it too.
    empty = float(np.median(detail.fine[here].sum(axis=1), axis=0).min())
    weight = np.sqrt(np.maximum(typical - empty, 0)) * (typical > FLOOR)
    gain = wave @ level / ((wave**2).sum() + 1e-12)
    in_step = gain > 0.25
    explained = np.outer(wave, gain)
    share = (explained**2).sum(axis=0) / ((level**2).sum(axis=0) + 1e-12)
    total = float(weight.sum()) + 1e-9
    return float((weight * in_step).sum()) / total, float((weight * share).sum()) / total


def _without_slope(values: Numbers) -> Numbers:
    """Less its straight line, along the first axis."""
    x = np.arange(len(values)) - (len(values) - 1) / 2
    slope = np.tensordot(x, values, axes=(0, 0)) / (x**2).sum()
    return np.asarray(values - values.mean(axis=0) - np.multiply.outer(x, slope))


def _correlation(one: Numbers, other: Numbers) -> float:
    size = float(np.sqrt((one**2).sum() * (other**2).sum()))
    return float((one * other).sum()) / size if size > 1e-12 else 0.0


def _best(found: Sequence[Swings]) -> list[Swings]:
    """Of stretches that overlap the one with most swing altogether, in order of time."""
    kept: list[Swings] = []
    for one in sorted(found, key=lambda one: one.swing * one.cycles, reverse=True):
        if all(one.end <= other.start or one.start >= other.end for other in kept):
            kept.append(one)
    return sorted(kept, key=lambda one: one.start)
