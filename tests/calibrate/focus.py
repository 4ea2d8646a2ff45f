"""How well hunting focus is found, on labelled clips of photographs: `python -m tests.calibrate.focus`.

Limits are chosen by looking at one half of the clips (`--half choosing`) and reported on the other, whose
photographs are others. The clips have 270 lines, to which the measures reduce every picture, with blur
scaled to that: a swing of 1.5 pixels at 1080 lines is one of 0.375 here. Seeds are fixed.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np

from ingest.measure.focus_hunting import find_swings
from ingest.measure.focus_limits import HuntingLimits, is_hunting
from ingest.measure.focus_sharpness import CENTRE, DetailTrack, measure_detail
from ingest.measure.picture_motion import STILL, FrameMotion, MotionTrack, block_spectra, measure_motion
from ingest.measure.picture_numbers import Swings
from tests.calibrate.cases import HUNTING, OTHERS, PER_SECOND, Clip, make_clip
from tests.calibrate.photographs import CHOOSING, REPORTING

HALVES = {"choosing": (CHOOSING, 1), "reporting": (REPORTING, 2)}
Wanted = tuple[str, str, int]  # half, case, ordinal


@dataclass(frozen=True, slots=True)
class Scored:
    """One clip: the truth (`frequency` None: nothing hunts), and what was found of it."""

    case: str
    frequency: float | None
    found: bool
    frequency_error: float | None
    overlap: float | None


def find_in(clip: Clip) -> tuple[Swings, ...]:
    """Every stretch of swinging sharpness in the middle and in the background."""
    detail, motion = [], list[FrameMotion]()
    before = None
    for plane in clip.frames():
        detail.append(measure_detail(plane))
        spectra = block_spectra(plane)
        motion.append(STILL if before is None else measure_motion(before, spectra, *plane.shape))
        before = spectra
    times = np.arange(len(detail)) / PER_SECOND
    tracks = DetailTrack.of(detail), MotionTrack.of(motion)
    inside = CENTRE.tiles()
    return (*find_swings(times, *tracks, inside), *find_swings(times, *tracks, ~inside))


def score(clip: Clip, found: Sequence[Swings], limits: HuntingLimits) -> Scored:
    """Against the truth: found only where the stretch overlaps the one that hunts."""
    hunting = [one for one in found if is_hunting(one, limits)]
    if clip.frequency is None:
        return Scored(clip.case, None, bool(hunting), None, None)
    best, overlap = None, 0.0
    for one in hunting:
        shared = min(one.end, clip.end) - max(one.start, clip.start)
        whole = max(one.end, clip.end) - min(one.start, clip.start)
        if shared > 0 and shared / whole > overlap:
            best, overlap = one, shared / whole
    if best is None:
        return Scored(clip.case, clip.frequency, False, None, None)
    return Scored(clip.case, clip.frequency, True, abs(best.frequency / clip.frequency - 1), overlap)


def score_one(wanted: Wanted) -> Scored:
    half, case, ordinal = wanted
    photographs, seed = HALVES[half]
    clip = make_clip(photographs, seed, case, ordinal)
    return score(clip, find_in(clip), HuntingLimits())


def table(scores: Sequence[Scored]) -> str:
    """One line a case, and the two totals that are aimed at."""
    lines = [f"{'case':28}{'clips':>6}{'found':>7}{'share':>8}{'within 10 %':>13}{'overlap':>9}"]
    for case in (*HUNTING, *OTHERS):
        if some := [one for one in scores if one.case == case]:
            lines.append(_line(case, some))
    for name, hunts in (("ALL THAT HUNT (aim 95 %)", True), ("ALL OTHERS (aim 2 %)", False)):
        if some := [one for one in scores if (one.frequency is not None) is hunts]:
            lines.append(_line(name, some))
    return "\n".join(lines)


def _line(name: str, scores: Sequence[Scored]) -> str:
    found = [one for one in scores if one.found]
    line = f"{name:28}{len(scores):6}{len(found):7}{len(found) / len(scores):8.1%}"
    errors = [one.frequency_error for one in found if one.frequency_error is not None]
    overlaps = [one.overlap for one in found if one.overlap is not None]
    if not errors:
        return line
    near = sum(error <= 0.1 for error in errors) / len(errors)
    return f"{line}{near:13.1%}{float(np.median(overlaps)):9.2f}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--half", choices=[*HALVES, "both"], default="both")
    parser.add_argument("--hunting", type=int, default=13, help="clips of each case that hunts, each half")
    parser.add_argument("--others", type=int, default=10, help="clips of each other case, each half")
    arguments = parser.parse_args()
    os.nice(10)
    for half in HALVES if arguments.half == "both" else [arguments.half]:
        wanted = [(half, case, ordinal) for case in HUNTING for ordinal in range(arguments.hunting)]
        wanted += [(half, case, ordinal) for case in OTHERS for ordinal in range(arguments.others)]
        with ProcessPoolExecutor(2) as workers:
            scores = list(workers.map(score_one, wanted, chunksize=2))
        print(
            f"{half}: {len(scores)} clips of 480 × 270, blur scaled from 1080 lines\n{table(scores)}\n",
            flush=True,
        )


if __name__ == "__main__":
    main()
