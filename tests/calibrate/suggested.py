"""How often a suggestion is right, and how often one is made that is not: on clips whose truth is known.

    python -m tests.calibrate.suggested

Movement: photographs under a camera that stands, is held, turns, tilts, or comes nearer. Kind: the same still
or turning picture with speech, the tone of a room, swelling noise or music. Setups: framings taken again with
other noise, and others of the same photograph. Limits were set beforehand; nothing is chosen on these clips.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from ingest.measure.picture_framing import measure_framing, reduce_framing
from ingest.measure.picture_levels import CodeRange, count_codes, measure_flat_top, measure_levels
from ingest.measure.picture_motion import STILL, MotionTrack, block_spectra, measure_motion
from ingest.measure.picture_numbers import Look, PictureNumbers, Repeats, Stretch
from ingest.measure.picture_plane import Plane
from ingest.measure.picture_shake import measure_shake
from ingest.measure.picture_travel import measure_travel
from ingest.measure.sound_numbers import SoundMeasured
from ingest.measure.sound_track import TrackMeter
from ingest.suggestions import Seen, find_setups, suggest
from tests.calibrate.answers import Answer, table
from tests.calibrate.cases import PER_SECOND, Sway, scaled
from tests.calibrate.optics import FRAME, Layer, View, photographed
from tests.calibrate.photographs import CHOOSING, REPORTING, load
from tests.ingest.measure.sound_support import RATE, Signal, music, noise, speech

PHOTOGRAPHS = (*CHOOSING, *REPORTING)
MOVEMENTS = ("static", "handheld", "pan", "tilt", "push-in", "pull-out", "diagonal")
KINDS = ("interview", "room-tone", "talk on the move", "traffic", "music")
EACH_MOVEMENT, EACH_KIND, PAIRS = 12, 10, 30
_SECONDS = 3.0
_SOUND_SECONDS = 24.0


def move(case: str, seed: int) -> PictureNumbers:
    """Three seconds of one movement."""
    random = np.random.default_rng((5, MOVEMENTS.index(case), seed))
    layer = Layer(load(PHOTOGRAPHS[seed % len(PHOTOGRAPHS)]))
    blur, grain = float(random.uniform(0, 1.5)), float(random.uniform(0.3, 1.5))
    speed = float(np.exp(random.uniform(math.log(0.03), math.log(0.25)))) * FRAME[0]
    sign, lean = float(random.choice([-1, 1])), float(random.uniform(-0.25, 0.25))
    sway = Sway.of(random, 0.8, 5.0)
    growth = float(random.uniform(0.02, 0.12))
    ways = {"pan": (sign, lean), "tilt": (lean, sign), "diagonal": (sign, sign * 0.9)}
    planes = []
    for number in range(round(_SECONDS * PER_SECOND)):
        time = number / PER_SECOND
        right, down = (one * speed * time for one in ways.get(case, (0.0, 0.0)))
        if case == "handheld":
            right, down = sway.place(time)
        light = layer.seen(View(blur, right, down))
        if case in ("push-in", "pull-out"):
            grown = growth * (time if case == "push-in" else _SECONDS - time)
            light = scaled(light, 1 + grown)
        planes.append(photographed(light, grain, random))
    return numbers_of(planes)


def numbers_of(planes: list[Plane], looks: tuple[Look, ...] = ()) -> PictureNumbers:
    """What the suggestions look at, of consecutive pictures."""
    spectra = [block_spectra(one) for one in planes]
    motion = MotionTrack.of([STILL, *(measure_motion(a, b, *planes[0].shape) for a, b in pairwise(spectra))])
    codes = CodeRange.of(8, is_full=True)
    counts = count_codes(planes[0].astype(np.uint8), 8)
    stretch = Stretch(
        start=0.0,
        end=_SECONDS,
        frames=len(planes),
        shake=measure_shake(motion, PER_SECOND),
        travel=measure_travel(motion, PER_SECOND),
        subject=(),
        background=(),
        racks=(),
        flicker=(),
        repeats=Repeats((), None, ()),
        sharpness_step=1 / PER_SECOND,
        sharpness=(),
    )
    return PictureNumbers(
        seconds=_SOUND_SECONDS,
        per_second=25.0,
        bits=8,
        is_full_range=True,
        levels=measure_levels(counts, codes),
        flat_top=measure_flat_top(counts, codes),
        samples=(),
        looks=looks,
        sought_faces=bool(looks),
        stretches=(stretch,),
        framing=measure_framing([reduce_framing(one) for one in planes[::12]]),
        errors=0,
    )


def hear(case: str, seed: int) -> SoundMeasured:
    """Sound of one kind, measured."""
    return heard(_signal(case, seed))


def _signal(case: str, seed: int) -> Signal:
    signals: dict[str, Signal] = {
        "interview": speech(_SOUND_SECONDS, seed),
        "talk on the move": speech(_SOUND_SECONDS, seed + 50),
        "room-tone": noise(_SOUND_SECONDS, -50 - seed % 8, seed),
        "music": music(_SOUND_SECONDS, seed),
        "traffic": noise(_SOUND_SECONDS, -35, seed) * _swells(seed),
    }
    return signals[case]


def heard(signal: Signal) -> SoundMeasured:
    """The numbers of one channel."""
    meter = TrackMeter(RATE, 1, (1.0,), lambda _: None)
    for piece in np.array_split(signal.astype(np.float32)[None, :], 24, axis=1):
        meter.add(piece)
    meter.finish()
    channels, programme = meter.result(0, 0)
    return SoundMeasured(tuple(channels), (), (programme,), ())


def _swells(seed: int) -> Signal:
    """Cars that pass: the level rises and falls by 6 to 18 dB over seconds."""
    random = np.random.default_rng(seed)
    time = np.arange(round(_SOUND_SECONDS * RATE)) / RATE
    wave = np.sin(2 * np.pi * time / random.uniform(5, 9) + random.uniform(0, 6))
    return np.asarray(10 ** (random.uniform(3, 9) * wave / 20))


def movements() -> Iterator[Answer]:
    for case in MOVEMENTS:
        for seed in range(EACH_MOVEMENT):
            given = {one.field: one.value for one in suggest(Seen(move(case, seed), None, 10.0))}
            if case == "handheld":
                yield Answer(case, "handheld", given.get("support"))
                yield Answer("handheld, its movement", None, given.get("movement"))
            else:
                yield Answer(case, None if case == "diagonal" else case, given.get("movement"))


def kinds() -> Iterator[Answer]:
    for case in KINDS:
        for seed in range(EACH_KIND):
            picture = move("pan" if case == "talk on the move" else "static", seed)
            given = suggest(Seen(picture, hear(case, seed), _SOUND_SECONDS))
            kind = next((one.value for one in given if one.field == "kind"), None)
            yield Answer(case, case if case in ("interview", "room-tone") else None, kind)


def setups() -> Iterator[Answer]:
    """Pairs of one framing, with other noise and a nudge, and pairs of two."""
    for number in range(PAIRS):
        random = np.random.default_rng((7, number))
        layer = Layer(load(PHOTOGRAPHS[number % len(PHOTOGRAPHS)]))
        for same in (True, False):
            far = (
                random.uniform(-0.01, 0.01, 2)
                if same
                else random.choice([-1, 1], 2) * random.uniform(0.2, 0.5, 2)
            )
            views = (View(0.5), View(0.8, *(float(one) * FRAME[0] for one in far)))
            framings = {
                key: measure_framing([reduce_framing(photographed(layer.seen(view), 1.0, random))])
                for key, view in enumerate(views)
            }
            found = "one setup" if 1 in find_setups(framings.items()) else None
            yield Answer(
                "the same framing" if same else "another framing", "one setup" if same else None, found
            )


def main() -> None:
    for name, answers in (("movement and support", movements()), ("kind", kinds()), ("setups", setups())):
        print(f"{name}\n{table(list(answers))}\n", flush=True)


if __name__ == "__main__":
    main()
