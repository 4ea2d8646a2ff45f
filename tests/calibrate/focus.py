"""How well hunting focus is found, on labelled clips of photographs: `python -m tests.calibrate.focus`.

Limits are chosen on one half of the clips (`--choose` says which they would be) and reported on the other,
whose photographs are others. The clips have 270 lines, to which the measures reduce every picture, with blur
scaled to that: a swing of 1.5 pixels at 1080 lines is one of 0.375 here. Seeds are fixed.
"""

from __future__ import annotations

import argparse
import math
import os
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np

from ingest.measure.focus_hunting import find_swings
from ingest.measure.focus_limits import HuntingLimits, is_hunting
from ingest.measure.focus_sharpness import CENTRE, DetailTrack, measure_detail, sharpness
from ingest.measure.focus_tracks import Following, Tracks
from ingest.measure.picture_levels import CodeRange, count_codes, measure_levels, measure_structure
from ingest.measure.picture_motion import STILL, block_spectra, measure_motion
from ingest.measure.picture_numbers import Sample
from ingest.measure.picture_plane import Plane
from ingest.measure.picture_tilt import measure_tilt
from ingest.measure.picture_windows import Effort, choose_windows
from tests.calibrate.cases import HUNTING, OTHERS, PER_SECOND, Clip, make_clip
from tests.calibrate.choose import Known, choose_limits
from tests.calibrate.photographs import CHOOSING, REPORTING

HALVES = {"choosing": (CHOOSING, 1), "reporting": (REPORTING, 5)}
# Clips of each case, in each half. Limits are chosen on most of what is taken for hunting most easily.
CLIPS: Mapping[str, Mapping[str, int]] = {
    "choosing": {
        **dict.fromkeys(HUNTING, 10),
        "still": 5,
        "rack focus": 8,
        "pan or tilt": 8,
        "handheld sway": 24,
        "subject moves": 40,
        "light changes": 10,
        "zoom": 5,
        "compression pumps": 18,
    },
    "reporting": dict.fromkeys((*HUNTING, *OTHERS), 12),
}
KEY_STEP = round(Effort().every_seconds * PER_SECOND)
Wanted = tuple[str, str, int]  # half, case, ordinal


@dataclass(frozen=True, slots=True)
class Scored:
    """One clip: the truth (`frequency` None: nothing hunts), and what was found of it."""

    case: str
    frequency: float | None
    found: bool
    frequency_error: float | None
    overlap: float | None


def find_in(clip: Clip) -> Known:
    """Every stretch of swinging sharpness in the middle and in the background."""
    keys: list[Plane] = []
    tracks = follow(clip, keys)
    inside = CENTRE.tiles()
    found = (*find_swings(tracks, inside), *find_swings(tracks, ~inside))
    seconds = len(tracks.times) / PER_SECOND
    windows = choose_windows(_samples(keys), seconds, Effort())
    return Known(clip.frequency, clip.start, clip.end, found, windows, seconds)


def follow(clip: Clip, keys: list[Plane]) -> Tracks:
    """The tracks of a clip; the pictures of a coarse pass are put into `keys`."""
    following = Following()
    for number, plane in enumerate(clip.frames()):
        if number % KEY_STEP == 0:
            keys.append(plane)
        following.see(number / PER_SECOND, plane, _is_keyed(clip, number))
    return following.tracks()


def _is_keyed(clip: Clip, number: int) -> bool:
    """Whether a key frame came since the frame before: every other picture of a coded clip is a frame."""
    if clip.group is None:
        return False
    groups = [math.floor(max(0, at) / PER_SECOND / clip.group + 1e-6) for at in (number - 1, number)]
    return number == 0 or groups[0] != groups[1]


def _samples(keys: Sequence[Plane]) -> list[Sample]:
    """The coarse pass over these pictures, as far as the choice of windows looks at it."""
    codes, inside = CodeRange.of(8, is_full=True), CENTRE.tiles()
    samples: list[Sample] = []
    spectra = [block_spectra(one) for one in keys]
    for number, plane in enumerate(keys):
        track = DetailTrack.of([measure_detail(plane)])
        motion = measure_motion(spectra[number - 1], spectra[number], *plane.shape) if number else STILL
        moved = float(np.hypot(motion.right, motion.down)) if motion.sure >= 0.5 else None
        samples.append(
            Sample(
                time=number * KEY_STEP / PER_SECOND,
                subject=float(sharpness(track, inside).mean()),
                background=float(sharpness(track, ~inside).mean()),
                levels=measure_levels(count_codes(plane.astype(np.uint8), 8), codes),
                structure=measure_structure(plane),
                tilt=measure_tilt(plane),
                moved=moved if number else None,
                difference=None,
            )
        )
    return samples


def score(case: str, clip: Known, limits: HuntingLimits) -> Scored:
    """Against the truth: found only where the stretch overlaps the one that hunts."""
    hunting = [one for one in clip.found if is_hunting(one, limits)]
    if clip.frequency is None:
        return Scored(case, None, bool(hunting), None, None)
    best, overlap = None, 0.0
    for one in hunting:
        shared = min(one.end, clip.end) - max(one.start, clip.start)
        whole = max(one.end, clip.end) - min(one.start, clip.start)
        if shared > 0 and shared / whole > overlap:
            best, overlap = one, shared / whole
    if best is None:
        return Scored(case, clip.frequency, False, None, None)
    return Scored(case, clip.frequency, True, abs(best.frequency / clip.frequency - 1), overlap)


def know_one(wanted: Wanted) -> tuple[str, Known]:
    """The case, the truth and what was found of one clip."""
    half, case, ordinal = wanted
    photographs, seed = HALVES[half]
    return case, find_in(make_clip(photographs, seed, case, ordinal))


def table(scores: Sequence[Scored]) -> str:
    """One line a case, and the two totals that are aimed at."""
    lines = [f"{'case':28}{'clips':>6}{'found':>7}{'share':>8}{'within 10 %':>13}{'overlap':>9}{'≥ 0.7':>8}"]
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
    enough = sum(overlap >= 0.7 for overlap in overlaps) / len(overlaps)
    return f"{line}{near:13.1%}{float(np.median(overlaps)):9.2f}{enough:8.1%}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--half", choices=[*HALVES, "both"], default="both")
    parser.add_argument("--choose", action="store_true", help="say which limits the choosing half calls for")
    arguments = parser.parse_args()
    os.nice(10)
    run(list(HALVES) if arguments.half == "both" else [arguments.half], choose=arguments.choose)


def run(halves: Sequence[str], *, choose: bool = False) -> None:
    """Score the limits as they are set on each of the halves, and print the tables."""
    for half in halves:
        wanted = [(half, case, ordinal) for case, count in CLIPS[half].items() for ordinal in range(count)]
        with ProcessPoolExecutor(2) as workers:
            known = list(workers.map(know_one, wanted, chunksize=2))
        if choose and half == "choosing":
            limits = choose_limits([clip for _, clip in known], HuntingLimits())
            print(f"limits that these call for: {limits.model_dump()}\n", flush=True)
        hunts = [clip for _, clip in known if clip.frequency is not None]
        looked = sum(clip.looked_at() * (clip.frequency or 0) >= 2 for clip in hunts) / len(hunts)
        whole = [sum(b - a for a, b in c.windows) / c.seconds for _, c in known if c.frequency is None]
        scores = [score(case, clip, HuntingLimits()) for case, clip in known]
        print(
            f"{half}: {len(scores)} clips of 480 × 270, blur scaled from 1080 lines\n{table(scores)}\n"
            f"key frames {Effort().every_seconds:g} s apart lead to two swings or more in {looked:.1%} of "
            f"the hunts; of clips without, {float(np.median(whole)):.0%} is decoded whole (median)\n",
            flush=True,
        )


if __name__ == "__main__":
    main()
