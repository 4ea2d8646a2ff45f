"""How often the shot size that a face calls for is right: `python -m tests.calibrate.sizes`.

A portrait before photographs, at a face height drawn from all that belong to a size by `SIZES`; leaning, from
either side, soft, dark, noisy. And clips of photographs that show nobody. The rule was set beforehand; but
the constant for the upper forehead comes from the same portrait, and it is one face: see `faces`.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np

from ingest.measure.picture_faces import FaceFinder, face_finder
from ingest.measure.picture_numbers import Look
from ingest.measure.picture_plane import Plane
from ingest.measure.picture_stripes import measure_stripes
from ingest.suggestions import SIZES, Seen, suggest
from tests.calibrate.answers import Answer, table
from tests.calibrate.cases import Sway
from tests.calibrate.faces import place_face
from tests.calibrate.optics import Layer, View, photographed
from tests.calibrate.photographs import CHOOSING, REPORTING, load
from tests.calibrate.suggested import hear, move, numbers_of

EACH_SIZE, WITHOUT = 16, 64
_PICTURES = 3
_SMALLEST, _LARGEST = 0.5, 10.5  # frame heights that the person would stand: of the first size and the last
_BACKGROUNDS = (*CHOOSING, *REPORTING)


def _bounds() -> Iterator[tuple[str, float, float]]:
    edges = (_SMALLEST, *(most for _, most in SIZES[:-1]), _LARGEST)
    for (name, _), (low, high) in zip(SIZES, pairwise(edges), strict=True):
        yield name, low, high


def _pictures(random: np.random.Generator, seed: int, share: float | None) -> list[Plane]:
    """Consecutive looks at one clip; `share` of the frame's height has the face, None: nobody is there."""
    layer = Layer(load(_BACKGROUNDS[seed % len(_BACKGROUNDS)]), (int(random.integers(0, 200)), 0))
    lean, mirrored = float(random.uniform(-12, 12)), bool(random.random() < 0.5)
    blur, light = float(random.uniform(0, 4)), float(random.uniform(0.35, 1.05))
    grain, sway = float(random.uniform(0.3, 2)), Sway.of(random, 0.5, 4.0)
    place = int(random.integers(2**31))
    planes = []
    for number in range(_PICTURES):
        plane = layer.seen(View(blur, *sway.place(4.0 * number)))
        if share is not None:
            plane = place_face(plane, share, np.random.default_rng(place), lean, mirrored)
        planes.append(photographed(plane * np.float32(light), grain, random))
    return planes


def _looks(finder: FaceFinder, planes: list[Plane]) -> tuple[Look, ...]:
    looks = []
    for number, plane in enumerate(planes):
        heights = tuple((one.bottom - one.top) / plane.shape[0] for one in finder.find(plane))
        looks.append(Look(4.0 * number, heights, measure_stripes(plane)))
    return tuple(looks)


def _said(finder: FaceFinder, planes: list[Plane]) -> str | None:
    given = suggest(Seen(numbers_of(planes, _looks(finder, planes)), None, 24.0))
    return next((one.value for one in given if one.field == "size"), None)


def sizes(finder: FaceFinder) -> Iterator[Answer]:
    for name, low, high in _bounds():
        for number in range(EACH_SIZE):
            random = np.random.default_rng((11, number, SIZES.index((name, dict(SIZES)[name]))))
            figure = math.exp(random.uniform(math.log(low), math.log(high)))
            yield Answer(name, name, _said(finder, _pictures(random, number, figure / 10)))
    for number in range(WITHOUT):
        random = np.random.default_rng((12, number))
        yield Answer("nobody", None, _said(finder, _pictures(random, number, None)))


KINDS = {
    "talk, a face": ("interview", "interview", True),
    "talk, nobody seen": ("interview", None, False),
    "a room, a face": ("room-tone", None, True),
    "a room, nobody seen": ("room-tone", "room-tone", False),
}
"""What is heard, what should be suggested, and whether a face is seen."""
EACH_KIND = 8


def kinds(finder: FaceFinder) -> Iterator[Answer]:
    """A camera that stands still before a face or a place, with what is heard there."""
    for number, (case, (heard, wanted, is_face)) in enumerate(KINDS.items()):
        for seed in range(EACH_KIND):
            random = np.random.default_rng((14, number, seed))
            share = float(random.uniform(0.2, 0.5)) if is_face else None
            looks = _looks(finder, _pictures(random, seed, share))
            picture = replace(move("static", seed), looks=looks, sought_faces=True)
            given = suggest(Seen(picture, hear(heard, seed), 24.0))
            yield Answer(case, wanted, next((one.value for one in given if one.field == "kind"), None))


def near(answers: list[Answer]) -> str:
    """How many of the sizes that were suggested are right, or one beside it."""
    names = [name for name, _ in SIZES]
    given = [one for one in answers if one.wanted is not None and one.given is not None]
    apart = [abs(names.index(one.wanted or "") - names.index(one.given or "")) for one in given]
    return (
        f"of {len(given)} sizes suggested {apart.count(0) / len(given):.1%} are exact, "
        f"{sum(one <= 1 for one in apart) / len(given):.1%} exact or a neighbour"
    )


def main() -> None:
    finder = face_finder()
    if finder is None:
        print("shot size: not scored, for the extra `faces` is not installed\n", flush=True)
        return
    answers = list(sizes(finder))
    print(f"shot size\n{table(answers)}\n{near(answers)}\n", flush=True)
    print(f"kind, where faces are looked for\n{table(list(kinds(finder)))}\n", flush=True)


if __name__ == "__main__":
    os.nice(10)
    main()
