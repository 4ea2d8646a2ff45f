"""From numbers to findings, in a filmmaker's words: what, where, how much, by which rule, and what to do.

Pure, and without the decoders: limits can change, and findings be made anew, without measuring again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ingest.measure.focus_limits import is_hunting
from ingest.measure.picture_numbers import PictureNumbers, Sample, Stretch, Swings
from shared.finding_limits import PictureLimits

NOTE, WARNING, FAULT = "note", "warning", "fault"
CODES = frozenset(
    (
        *("focus-hunting", "highlights-clipped", "highlights-flat", "shadows-crushed", "lens-covered"),
        *("black", "frozen", "frames-repeated", "mains-flicker", "carried", "shaky", "horizon-leans"),
        "picture-unmeasured",
    )
)


@dataclass(frozen=True, slots=True)
class PictureFinding:
    """`start` and `end` in seconds of the clip; None: all of it. `value` in `unit` is its number."""

    code: str
    severity: str
    message: str
    value: float | None
    unit: str
    rule: str
    remedy: str
    start: float | None = None
    end: float | None = None


def judge_picture(numbers: PictureNumbers, limits: PictureLimits) -> tuple[PictureFinding, ...]:
    """All findings of one clip, in the order of this file."""
    return (
        *_hunting(numbers, limits),
        *_exposure(numbers, limits),
        *_dark(numbers, limits),
        *_repeats(numbers, limits),
        *_flicker(numbers, limits),
        *_handling(numbers, limits),
        *_tilt(numbers, limits),
    )


def _hunting(numbers: PictureNumbers, limits: PictureLimits) -> Iterator[PictureFinding]:
    for stretch in numbers.stretches:
        near = [one for one in stretch.subject if is_hunting(one, limits.hunting)]
        far = [one for one in stretch.background if is_hunting(one, limits.hunting)]
        alone = [one for one in far if not any(_overlap(one, other) for other in near)]
        places = [(one, "the middle") for one in near] + [(one, "the background") for one in alone]
        for swings, where in places:
            yield PictureFinding(
                "focus-hunting",
                WARNING,
                f"Focus hunts in {where}: sharp and soft by turns, {swings.frequency:.1f} times a second, "
                f"{_clock(swings.start)} to {_clock(swings.end)}.",
                swings.frequency,
                "Hz",
                "Sharpness goes up and down in a rhythm of 0.3 to 4 Hz while framing and light stay "
                "(common practice).",
                "Look at it at full size; if it shows, do the take again with focus set by hand.",
                swings.start,
                swings.end,
            )


def _exposure(numbers: PictureNumbers, limits: PictureLimits) -> Iterator[PictureFinding]:
    levels, top = numbers.levels, numbers.flat_top
    if levels.at_top > limits.clipped_share:
        yield PictureFinding(
            "highlights-clipped",
            WARNING,
            f"{levels.at_top:.1%} of the picture is at the highest code there is: nothing can be "
            f"won back there.",
            100 * levels.at_top,
            "%",
            f"At most {limits.clipped_share:.0%} of the pixels at the end of the "
            f"{'full' if numbers.is_full_range else 'limited'} range (range: ITU-R BT.709, ITU-T "
            f"H.273; share: "
            "common practice).",
            "Close the iris or add density until the highlights that matter show detail.",
        )
    elif top.share > limits.flat_share and top.height >= limits.flat_height:
        yield PictureFinding(
            "highlights-flat",
            WARNING,
            f"{top.share:.1%} of the picture is one even white, {top.height:.0%} of full: the "
            f"sensor clipped below "
            "the end of the scale.",
            100 * top.share,
            "%",
            f"At most {limits.flat_share:.0%} of the pixels at the clip's own highest code "
            f"(common practice).",
            "Expose lower; the waveform will not show it, for its top is not reached.",
        )
    if levels.at_bottom > limits.crushed_share and levels.high >= limits.black_below:
        yield PictureFinding(
            "shadows-crushed",
            NOTE,
            f"{levels.at_bottom:.0%} of the picture is at the lowest code there is.",
            100 * levels.at_bottom,
            "%",
            f"At most {limits.crushed_share:.0%} of the pixels at the lowest code (common practice).",
            "Open up, or light the shadows, if something there is to be seen.",
        )


def _dark(numbers: PictureNumbers, limits: PictureLimits) -> Iterator[PictureFinding]:
    """Black, or a covered lens when all of the clip is dark and shows nothing but noise."""
    samples = numbers.samples
    covered = [
        one.levels.high < limits.cap_below and one.structure.contrast < limits.cap_contrast for one in samples
    ]
    if sum(covered) >= limits.cap_share * len(samples):
        contrast = max(one.structure.contrast for one, dark in zip(samples, covered, strict=True) if dark)
        yield PictureFinding(
            "lens-covered",
            FAULT,
            "The whole clip is dark and shows nothing: the cap was on, or the lens lay against something.",
            contrast,
            "codes",
            f"A picture has more structure than {limits.cap_contrast} codes of 8 bits (common practice).",
            "Check the sound: it may be worth keeping. If the picture was meant, shoot it again.",
        )
        return
    for first, last in _runs(samples, [one.levels.high < limits.black_below for one in samples]):
        if last - first >= limits.black_seconds:
            yield PictureFinding(
                "black",
                WARNING,
                f"The picture is black from {_clock(first)} to {_clock(last)}.",
                last - first,
                "s",
                f"No black longer than {limits.black_seconds:g} s; black is code 16 of 8 bits in "
                f"a limited range "
                "(ITU-R BT.709).",
                "Look whether the lens was covered or the signal lost.",
                first,
                last,
            )


def _repeats(numbers: PictureNumbers, limits: PictureLimits) -> Iterator[PictureFinding]:
    for stretch in numbers.stretches:
        rate = (stretch.frames - 1) / max(stretch.end - stretch.start, 1e-9)
        for first, last in stretch.repeats.frozen:
            start, end = stretch.start + first / rate, stretch.start + last / rate
            if end - start >= limits.frozen_seconds:
                yield PictureFinding(
                    "frozen",
                    FAULT,
                    f"The picture stands still like a photograph from {_clock(start)} to {_clock(end)}.",
                    end - start,
                    "s",
                    f"No picture is repeated for {limits.frozen_seconds:g} s while the rest moves "
                    f"(common practice).",
                    "Look at it; if the recorder stalled, do the take again and check the card.",
                    start,
                    end,
                )
        singles = len(stretch.repeats.singles)
        if singles >= limits.repeats_least and singles > limits.repeats_share * stretch.frames:
            every = stretch.repeats.every
            beat = "" if every is None else f", one in every {every:.1f}"
            yield PictureFinding(
                "frames-repeated",
                WARNING,
                f"{singles} of {stretch.frames} pictures are the one before again{beat}: movement will jerk.",
                singles,
                "frames",
                f"At most {limits.repeats_share:.0%} of the pictures repeat (common practice).",
                "Check the frame rate that was set against the one of the source or of the converter.",
                stretch.start,
                stretch.end,
            )


def _flicker(numbers: PictureNumbers, limits: PictureLimits) -> Iterator[PictureFinding]:
    for stretch in numbers.stretches:
        clear = [
            one
            for one in stretch.flicker
            if one.depth >= limits.flicker_depth and one.above >= limits.flicker_above
        ]
        if not clear:
            continue
        one = max(clear, key=lambda one: one.above)
        how = f"{one.bands:.1f} bands roll through the picture" if one.bands else "the whole picture pulses"
        yield PictureFinding(
            "mains-flicker",
            WARNING,
            f"Lamps on a {one.supply} Hz supply flicker: {how}, {one.beat:.1f} times a second, "
            f"{one.depth:.0%} "
            "of the light.",
            one.supply,
            "Hz",
            f"Light on the mains pulses {2 * one.supply} times a second (physics); "
            f"{limits.flicker_depth:.0%} of "
            "it is seen (common practice).",
            f"Set the shutter to 1/{one.supply} or 1/{2 * one.supply} s, or use other lamps.",
            stretch.start,
            stretch.end,
        )


def _handling(numbers: PictureNumbers, limits: PictureLimits) -> Iterator[PictureFinding]:
    """Carried while it recorded, or shaky. Only where enough was looked at, and never both."""
    looked = [one for one in numbers.stretches if one.shake is not None]
    long = [one for one in looked if one.end - one.start >= limits.carried_seconds * 0.9]
    if long and len(long) == len(looked) and all(_is_carried(one, limits) for one in long):
        steady = max(one.shake.steady for one in long if one.shake is not None)
        yield PictureFinding(
            "carried",
            WARNING,
            "The camera swings about and is never held: it may have recorded while it was "
            "carried, with start and "
            "stop the wrong way round.",
            100 * steady,
            "% steady",
            f"A take is steady for more than {limits.carried_longest:g} s at a time (common practice).",
            "Look at the clips before and after: if they begin too late, the takes between were "
            "not recorded.",
        )
        return
    for stretch in looked:
        if stretch.shake is not None and stretch.shake.shake > limits.shake:
            yield PictureFinding(
                "shaky",
                NOTE,
                f"The framing shakes by {stretch.shake.shake:.1%} of its height.",
                100 * stretch.shake.shake,
                "% of height",
                f"At most {limits.shake:.1%} root mean square, moves left out (common practice).",
                "Fine where it is meant; otherwise support the camera, or smooth the shot in the edit.",
                stretch.start,
                stretch.end,
            )


def _is_carried(stretch: Stretch, limits: PictureLimits) -> bool:
    shake = stretch.shake
    return (
        shake is not None
        and shake.steady <= limits.carried_steady
        and shake.longest_steady <= limits.carried_longest
    )


def _tilt(numbers: PictureNumbers, limits: PictureLimits) -> Iterator[PictureFinding]:
    """Only where most samples show one long edge, and agree on how it lies."""
    tilts = [one.tilt for one in numbers.samples if one.tilt is not None]
    sure = sorted(
        one.degrees
        for one in tilts
        if one.support >= limits.tilt_support and one.stands_out >= limits.tilt_stands_out
    )
    if not sure or 2 * len(sure) <= len(tilts):
        return
    middle = sure[len(sure) // 2]
    if sum(abs(one - middle) <= 1 for one in sure) * 3 < 2 * len(sure) or abs(middle) < limits.tilt_degrees:
        return
    yield PictureFinding(
        "horizon-leans",
        NOTE,
        f"The longest level edge leans by {abs(middle):.1f}°, {'right' if middle > 0 else 'left'} end low.",
        abs(middle),
        "degrees",
        f"A horizon lies within {limits.tilt_degrees:g}° of level (common practice).",
        "Fine where the edge is not level in truth, or the lean is meant; otherwise turn it "
        "level in the edit.",
    )


def _runs(samples: Sequence[Sample], yes: Sequence[bool]) -> list[tuple[float, float]]:
    """First and last time of each run of true values; a run lasts up to the sample after it."""
    found: list[tuple[float, float]] = []
    begin: float | None = None
    for sample, one in zip(samples, yes, strict=True):
        if one and begin is None:
            begin = sample.time
        if not one and begin is not None:
            found.append((begin, sample.time))
            begin = None
    if begin is not None:
        found.append((begin, samples[-1].time))
    return found


def _overlap(one: Swings, other: Swings) -> bool:
    return one.start < other.end and other.start < one.end


def _clock(seconds: float) -> str:
    return f"{int(seconds) // 60}:{seconds % 60:04.1f}"
