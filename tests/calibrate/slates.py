"""How often material for the crew is told from the film's: `python -m tests.calibrate.slates`.

Colour bars and grey steps as generators give them, noise added; tones; slates and first clips of a reel; and
what might be taken for them. Rules and limits were set beforehand.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from ingest.measure.picture_numbers import Look, PictureNumbers
from ingest.measure.picture_plane import Plane
from ingest.measure.picture_stripes import measure_stripes
from ingest.suggestions import Seen, suggest
from tests.calibrate.answers import Answer, table
from tests.calibrate.charts import colour_bars, grey_steps, upright_stripes
from tests.calibrate.optics import photographed
from tests.calibrate.suggested import heard, move, numbers_of
from tests.ingest.measure.sound_support import RATE, Signal, music, noise, sine, speech

EACH = 10
_ROOM_DB = -55.0
Random = np.random.Generator


@dataclass(frozen=True, slots=True)
class _Made:
    picture: PictureNumbers
    sound: Signal
    opens_reel: bool = False


def clap(seconds: float, at: tuple[float, ...], seed: int) -> Signal:
    """Hands or sticks in a room: bursts of noise that die away, and what comes back from the walls."""
    random = np.random.default_rng(seed)
    made = noise(seconds, _ROOM_DB, seed)
    time = np.arange(round(0.6 * RATE)) / RATE
    for one in at:
        size = random.uniform(0.2, 0.8)
        burst = random.standard_normal(len(time)) * size / 3
        sound = burst * (np.exp(-time / 0.008) + 0.08 * np.exp(-time / random.uniform(0.03, 0.07)))
        first = round(one * RATE)
        made[first : first + len(sound)] += sound[: len(made) - first]
    return np.clip(made, -1, 1)


def _chart(plane: Plane, random: Random) -> PictureNumbers:
    planes = [photographed(plane, float(random.uniform(0.2, 2)), random) for _ in range(38)]
    looks = tuple(Look(2.0 * n, (), measure_stripes(one)) for n, one in enumerate(planes[::13]))
    return numbers_of(planes, looks)


def _bars(random: Random, seed: int) -> _Made:
    plane = colour_bars(("BT.709", "BT.601")[seed % 2], (0.75, 1.0)[seed // 2 % 2], seed % 3 == 0)
    tone = sine(1000, 10, -18 if seed % 2 else -20)
    return _Made(_chart(plane, random), tone if seed % 4 else np.zeros(10 * RATE))


def _steps(random: Random, seed: int) -> _Made:
    return _Made(_chart(grey_steps(7 + seed % 5), random), noise(10, _ROOM_DB, seed))


def _tone(random: Random, seed: int) -> _Made:
    tone = sine((997, 1000)[seed % 2], 9, random.uniform(-24, -12))
    return _Made(move("static", seed), np.concatenate([noise(2, _ROOM_DB, seed), tone]))


def _slate(random: Random, seed: int) -> _Made:
    seconds = float(random.uniform(5, 12))
    said = clap(seconds, (seconds / 2,), seed)
    if seed % 2:
        words = speech(24, seed)[: round(2.0 * RATE)]
        said[: len(words)] += words
    return _Made(move("static", seed), said)


def _first(random: Random, seed: int) -> _Made:
    return _Made(move("static", seed), noise(float(random.uniform(4, 9)), _ROOM_DB, seed), opens_reel=True)


def _short_speech(random: Random, seed: int) -> _Made:
    return _Made(move("static", seed), speech(24, seed)[: round(random.uniform(6, 14) * RATE)], seed % 2 == 0)


def _long_take(random: Random, seed: int) -> _Made:
    said = speech(24, seed) + clap(24, (2.0,), seed)
    return _Made(move("static", seed), np.clip(said, -1, 1), opens_reel=True)


def _music(random: Random, seed: int) -> _Made:
    return _Made(move("static", seed), music(24, seed)[: 12 * RATE])


def _applause(random: Random, seed: int) -> _Made:
    times = np.cumsum(random.uniform(0.35, 0.7, 16)) + 0.5
    return _Made(move("static", seed), clap(12, tuple(float(one) for one in times), seed))


def _beep(random: Random, seed: int) -> _Made:
    """A timer that beeps now and then in a room."""
    made = noise(12, _ROOM_DB, seed)
    for at in (2, 5, 8):
        made[at * RATE : at * RATE + RATE // 2] += sine(1000, 0.5, -20)
    return _Made(move("static", seed), made)


def _blinds(random: Random, seed: int) -> _Made:
    """Fences and blinds: bright and dark by turns."""
    count = int(random.integers(6, 16))
    codes = random.uniform(60, 120, count) + 70 * (np.arange(count) % 2)
    return _Made(_chart(upright_stripes([float(one) for one in codes]), random), noise(12, _ROOM_DB, seed))


CASES: Mapping[str, tuple[Callable[[Random, int], _Made], bool]] = {
    "colour bars": (_bars, True),
    "grey steps": (_steps, True),
    "line-up tone": (_tone, True),
    "slate with a clap": (_slate, True),
    "first of its reel": (_first, True),
    "short, somebody speaks": (_short_speech, False),
    "long take with a clap": (_long_take, False),
    "short, music": (_music, False),
    "applause": (_applause, False),
    "beeps": (_beep, False),
    "blinds": (_blinds, False),
}


def answers() -> Iterator[Answer]:
    for number, (case, (make, is_test)) in enumerate(CASES.items()):
        for seed in range(EACH):
            made = make(np.random.default_rng((13, number, seed)), seed)
            sound, seconds = heard(made.sound), len(made.sound) / RATE
            given = suggest(Seen(made.picture, sound, seconds, opens_reel=made.opens_reel))
            kind = next((one.value for one in given if one.field == "kind" and one.value == "test"), None)
            yield Answer(case, "test" if is_test else None, kind)


def main() -> None:
    print(f"test and slate\n{table(list(answers()))}\n", flush=True)


if __name__ == "__main__":
    os.nice(10)
    main()
