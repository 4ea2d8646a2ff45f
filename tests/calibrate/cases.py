"""Labelled clips of what focus does and of what looks like it: the frames are made one at a time.

Sizes are of 1080 lines in the words and of the 270 that are drawn in the code (`_AT_1080`). Frames are every
other one of a recording at 25 a second with a shutter of 1/50 s.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction

import av
import numpy as np
from av.video.reformatter import Interpolation
from scipy.ndimage import affine_transform

from ingest.measure.picture_plane import Plane
from tests.calibrate.optics import FRAME, Layer, View, photographed, subject_shape
from tests.calibrate.photographs import load

PER_SECOND = 12.5
_AT_1080 = 1080 / FRAME[0]
_SHUTTER = 1 / 50
Random = np.random.Generator


@dataclass(frozen=True, slots=True)
class Clip:
    """`frames` yields planes (270, 480), PER_SECOND a second. The rest is the truth; `frequency` in hertz,
    `start` and `end` in seconds, `swing` the change of the blur disk's diameter in pixels at 1080 lines.
    `group`: seconds between key frames, where the clip was coded: a decoder says which they are."""

    case: str
    photographs: tuple[str, str]
    frames: Callable[[], Iterator[Plane]]
    frequency: float | None = None
    start: float = 0.0
    end: float = 0.0
    swing: float = 0.0
    group: float | None = None


@dataclass(frozen=True, slots=True)
class _Scene:
    """A background, and a subject before it where there is one."""

    background: Layer
    subject: Layer | None
    shape: Layer | None
    noise: float

    def seen(self, background: View, subject: View, slide: float = 0.0) -> Plane:
        """One frame; `slide` moves the subject's surface inside its outline, as a head that turns."""
        behind = self.background.seen(background)
        if self.subject is None or self.shape is None:
            return behind
        surface = self.subject.seen(
            View(subject.diameter, subject.right + slide, subject.down, subject.right_blur, subject.down_blur)
        )
        mask = np.clip(self.shape.seen(subject) / 255, 0, 1)
        return np.asarray(behind + (surface - behind) * mask)


def _scene(names: tuple[str, str], random: Random, with_subject: bool) -> _Scene:
    start = (int(random.integers(0, 200)), int(random.integers(0, 120)))
    background = Layer(load(names[0]), start)
    noise = float(random.uniform(0.3, 1.5))
    if not with_subject:
        return _Scene(background, None, None, noise)
    shape = subject_shape(random.uniform(0.7, 0.95), random.uniform(0.7, 1.0))
    return _Scene(background, Layer(load(names[1])), Layer(shape), noise)


def _blur(random: Random, low: float, high: float) -> float:
    return float(random.uniform(low, high)) / _AT_1080


def _times(seconds: float, per_second: float = PER_SECOND) -> list[float]:
    return [number / per_second for number in range(round(seconds * per_second))]


# -- focus that hunts --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Hunt:
    frequency: float
    start: float
    end: float
    swing: float  # pixels of this frame
    phases: tuple[float, ...]  # jitter of each cycle
    is_pointed: bool
    fading: float

    def at(self, time: float) -> float:
        """How far the blur is from its least, 0 to `swing`."""
        if not self.start <= time <= self.end:
            return 0.0
        cycles = (time - self.start) * self.frequency
        whole = int(cycles)
        bent = cycles + self.phases[whole % len(self.phases)] * math.sin(math.pi * (cycles - whole)) / 8
        wave = 0.5 - 0.5 * math.cos(2 * math.pi * bent)
        if self.is_pointed:
            wave = 2 * abs(bent - math.floor(bent) - 0.5)
            wave = 1 - wave
        return self.swing * wave * (1 - self.fading * (time - self.start) / (self.end - self.start))


def _hunt(random: Random, swing: float) -> tuple[_Hunt, float]:
    """A hunt of at least three cycles and two seconds, and the length of its clip."""
    frequency = float(np.exp(random.uniform(math.log(0.3), math.log(4.0))))
    cycles = max(3, math.ceil(2 * frequency))
    cycles += int(random.integers(0, 3)) if frequency < 1 else int(random.integers(0, round(3 * frequency)))
    start = float(random.uniform(0.8, 2.5))
    end = start + cycles / frequency
    hunt = _Hunt(
        *(frequency, start, end, swing / _AT_1080),
        tuple(random.uniform(-1, 1, 8)),
        bool(random.random() < 0.3),
        float(random.uniform(0, 0.35)),
    )
    return hunt, end + float(random.uniform(0.8, 2.0))


def _hunting(names: tuple[str, str], random: Random, case: str, swing: float) -> Clip:
    """`case` says what else goes on."""
    hunt, seconds = _hunt(random, swing)
    scene = _scene(names, random, case != "hunting, whole frame")
    least, behind = _blur(random, 0, 5), _blur(random, 4, 20)
    sway = Sway.slight(random) if case == "hunting, slight sway" else None
    breathing = float(random.uniform(0.001, 0.004)) if case == "hunting, lens breathes" else 0.0
    against = case == "hunting, near against far"
    seed = int(random.integers(2**31))

    def frames() -> Iterator[Plane]:
        grain = np.random.default_rng(seed)
        for time in _times(seconds):
            more = hunt.at(time)
            near = least + more
            far = behind
            if scene.subject is None:
                far = near
            elif against:
                far = max(0.0, least + hunt.swing - more)
            place = sway.at(time) if sway else (0.0, 0.0, 0.0, 0.0)
            light = scene.seen(View(far, *place), View(near, *place))
            if breathing:
                light = scaled(light, 1 + breathing * more / hunt.swing)
            yield photographed(light, scene.noise, grain)

    return Clip(case, names, frames, hunt.frequency, hunt.start, hunt.end, swing)


def _hunting_coded(names: tuple[str, str], random: Random, case: str, swing: float) -> Clip:
    hunt, seconds = _hunt(random, swing)
    scene = _scene(names, random, True)
    least, behind = _blur(random, 0, 5), _blur(random, 4, 20)
    coding = _Coding.of(random, 20, 28)
    seed = int(random.integers(2**31))

    def frames() -> Iterator[Plane]:
        grain = np.random.default_rng(seed)
        drawn = (scene.seen(View(behind), View(least + hunt.at(t))) for t in _times(seconds, 25))
        yield from coding.passed(photographed(light, scene.noise, grain) for light in drawn)

    return Clip(case, names, frames, hunt.frequency, hunt.start, hunt.end, swing, coding.group / 25)


# -- what is no hunting ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Sway:
    """A hand: a few slow sines, and a drift. Amplitudes in pixels of this frame."""

    parts: tuple[tuple[float, float, float, float], ...]  # hertz, right, down, phase

    @classmethod
    def slight(cls, random: Random) -> Sway:
        return cls.of(random, 0.2, 0.8)

    @classmethod
    def of(cls, random: Random, low: float, high: float) -> Sway:
        size = float(random.uniform(low, high))
        rates = (random.uniform(0.08, 0.25), *random.uniform(0.4, 3.0, 3))
        parts = []
        for rate in rates:
            reach = size * min(1.5, (0.8 / rate))
            parts.append(
                (float(rate), *(reach * random.normal(0, 1, 2)), float(random.uniform(0, 2 * math.pi)))
            )
        return cls(tuple(parts))

    def place(self, time: float) -> tuple[float, float]:
        turns = [(2 * math.pi * rate * time + phase, right, down) for rate, right, down, phase in self.parts]
        return (
            sum(right * math.sin(turn) for turn, right, _ in turns),
            sum(down * math.sin(turn + 1) for turn, _, down in turns),
        )

    def at(self, time: float) -> tuple[float, float, float, float]:
        """Place, and how far it moves while the shutter is open."""
        (x, y), (later_x, later_y) = self.place(time), self.place(time + _SHUTTER)
        return x, y, later_x - x, later_y - y


def _still(names: tuple[str, str], random: Random, case: str) -> Clip:
    scene = _scene(names, random, bool(random.random() < 0.5))
    near, far = _blur(random, 0, 6), _blur(random, 0, 16)
    return _drawn(case, names, random, 10, scene, lambda _: scene.seen(View(far), View(near)))


def _rack(names: tuple[str, str], random: Random, case: str) -> Clip:
    """From far to near in one go, at times with a small overshoot, at times back again later."""
    scene = _scene(names, random, True)
    sharp, soft = _blur(random, 0, 2), _blur(random, 6, 24)
    begin, length = float(random.uniform(2, 4)), float(np.exp(random.uniform(math.log(0.25), math.log(4))))
    over = float(random.uniform(0, 0.15)) if random.random() < 0.4 else 0.0
    back = begin + length + float(random.uniform(2, 3)) if random.random() < 0.35 else math.inf

    def moved(time: float) -> float:
        part = min(1.0, max(0.0, (time - begin) / length))
        went = part * part * (3 - 2 * part)
        after = time - begin - length
        if 0 < after < 0.6:
            went += over * math.sin(math.pi * after / 0.6)
        if time > back:
            part = min(1.0, (time - back) / length)
            went *= 1 - part * part * (3 - 2 * part)
        return went

    def draw(time: float) -> Plane:
        part = moved(time)
        far, near = abs(sharp + (soft - sharp) * part), abs(soft + (sharp - soft) * part)
        return scene.seen(View(far), View(near))

    return _drawn(case, names, random, 12, scene, draw)


def _pan(names: tuple[str, str], random: Random, case: str) -> Clip:
    """A pan or a tilt that begins, goes on and ends; at times there and back."""
    scene = _scene(names, random, False)
    blur, turn = _blur(random, 0, 5), float(random.uniform(0, 2 * math.pi))
    speed, begin, length = random.uniform(10, 250), random.uniform(0.5, 2), random.uniform(2, 7)
    there_and_back = bool(random.random() < 0.3)

    def place(time: float) -> float:
        part = min(1.0, max(0.0, (time - begin) / length))
        eased = part * part * (3 - 2 * part)
        if there_and_back:
            eased = 0.5 - 0.5 * math.cos(2 * math.pi * part)
        return float(speed * length * eased)

    def draw(time: float) -> Plane:
        at, later = place(time), place(time + _SHUTTER)
        x, y = math.cos(turn), math.sin(turn)
        return scene.seen(View(blur, at * x, at * y, (later - at) * x, (later - at) * y), View())

    return _drawn(case, names, random, 10, scene, draw)


def _swaying(names: tuple[str, str], random: Random, case: str) -> Clip:
    """From a steady hand to a walk: 0.1 to 4 % of the height."""
    scene = _scene(names, random, bool(random.random() < 0.5))
    sway = Sway.of(random, 0.3, 10)
    near, far = _blur(random, 0, 5), _blur(random, 0, 16)

    def draw(time: float) -> Plane:
        place = sway.at(time)
        return scene.seen(View(far, *place), View(near, *place))

    return _drawn(case, names, random, 10, scene, draw)


def _moving_subject(names: tuple[str, str], random: Random, case: str) -> Clip:
    """Someone who nods, rocks, turns the head to and fro, or walks through."""
    scene = _scene(names, random, True)
    near, far = _blur(random, 0, 4), _blur(random, 0, 20)
    rate, reach = float(random.uniform(0.3, 3)), float(np.exp(random.uniform(math.log(1), math.log(30))))
    kind = ("nod", "rock", "turn", "walk", "fidget")[int(random.integers(5))]
    fidget = Sway.of(random, 1, 8)

    def place(time: float) -> tuple[float, float, float]:
        wave = reach * min(1, 1 / rate) * math.sin(2 * math.pi * rate * time)
        if kind == "nod":
            return wave * 0.2, wave, 0.0
        if kind == "rock":
            return wave, wave * 0.2, 0.0
        if kind == "turn":
            return wave * 0.2, 0.0, wave
        if kind == "walk":
            return -400 + 80 * time + 0.1 * wave, 0.2 * wave, 0.0
        return (*fidget.place(time), 0.0)

    def draw(time: float) -> Plane:
        (x, y, slide), (later_x, later_y, _) = place(time), place(time + _SHUTTER)
        return scene.seen(View(far), View(near, x, y, later_x - x, later_y - y), slide)

    return _drawn(case, names, random, 10, scene, draw)


def _light(names: tuple[str, str], random: Random, case: str) -> Clip:
    """Clouds, a lamp that pulses, a screen that flickers on one side, steps of the exposure."""
    scene = _scene(names, random, bool(random.random() < 0.5))
    near, far = _blur(random, 0, 5), _blur(random, 0, 12)
    rate, size = float(random.uniform(0.3, 4)), float(random.uniform(0.05, 0.35))
    kind = ("pulse", "one side", "steps", "flicker")[int(random.integers(4))]
    levels = random.uniform(1 - size, 1 + size, 64)
    side = np.linspace(0, 1, FRAME[1], dtype=np.float32)[None, :]

    def draw(time: float) -> Plane:
        light = scene.seen(View(far), View(near)) * np.float32(0.75)
        wave = size * math.sin(2 * math.pi * rate * time)
        if kind == "pulse":
            return light * np.float32(1 + wave)
        if kind == "one side":
            return light * (1 + np.float32(wave) * side)
        place = time * (rate if kind == "flicker" else 0.5)
        part = place % 1 if kind == "flicker" else min(1.0, place % 1 * 4)
        first, second = levels[int(place) % 64], levels[(int(place) + 1) % 64]
        return light * np.float32(first + (second - first) * part)

    return _drawn(case, names, random, 10, scene, draw)


def _zoom(names: tuple[str, str], random: Random, case: str) -> Clip:
    """The focal length changes, or the camera comes nearer."""
    scene = _scene(names, random, False)
    blur, begin, length = _blur(random, 0, 5), random.uniform(1, 3), random.uniform(2, 6)
    growth = float(random.uniform(0.1, 0.6))

    def draw(time: float) -> Plane:
        part = min(1.0, max(0.0, (time - begin) / length))
        return scaled(scene.seen(View(blur), View()), 1 + growth * part * part * (3 - 2 * part))

    return _drawn(case, names, random, 10, scene, draw)


def _pumping(names: tuple[str, str], random: Random, case: str) -> Clip:
    """A still scene in a mean encoding: each key frame is sharper, or softer, than those around it."""
    scene = _scene(names, random, bool(random.random() < 0.5))
    near, far = _blur(random, 0, 4), _blur(random, 0, 12)
    coding = _Coding.of(random, 28, 42, scale=(1, 4)[int(random.integers(2))])
    sway = Sway.of(random, 0.0, 0.4) if random.random() < 0.4 else None
    seed = int(random.integers(2**31))

    def frames() -> Iterator[Plane]:
        grain = np.random.default_rng(seed)
        places = (sway.at(time) if sway else (0.0, 0.0, 0.0, 0.0) for time in _times(10, 25))
        drawn = (scene.seen(View(far, *place), View(near, *place)) for place in places)
        yield from coding.passed(photographed(light, scene.noise, grain) for light in drawn)

    return Clip(case, names, frames, group=coding.group / 25)


@dataclass(frozen=True, slots=True)
class _Coding:
    """H.264 at a constant quantiser, key frames `group` apart, of pictures `scale` times as large.

    A camera codes 1080 lines, which are then reduced to those of here, and much of what coding did with them;
    a mean proxy has no more lines than that (`scale` 1).
    """

    quantiser: int
    group: int
    between: int
    scale: int

    @classmethod
    def of(cls, random: Random, low: int, high: int, scale: int = 4) -> _Coding:
        groups = (6, 10, 12, 15, 24, 25, 50)
        return cls(
            int(random.integers(low, high + 1)),
            groups[int(random.integers(len(groups)))],
            int(random.integers(0, 3)),
            scale,
        )

    def passed(self, planes: Iterator[Plane]) -> Iterator[Plane]:
        """Every other frame after coding at 25 a second; the list is held as coded bytes alone."""
        memory = io.BytesIO()
        with av.open(memory, "w", format="matroska") as target:
            options = {"qp": str(self.quantiser), "g": str(self.group), "bf": str(self.between)}
            options |= {"preset": "ultrafast", "threads": "1", "sc_threshold": "0"}
            stream = target.add_stream("libx264", rate=Fraction(25), options=options)
            width, height = FRAME[1] * self.scale, FRAME[0] * self.scale
            stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
            for plane in planes:
                yuv = np.full((FRAME[0] * 3 // 2, FRAME[1]), 128, np.uint8)
                yuv[: FRAME[0]] = plane
                frame = av.VideoFrame.from_ndarray(yuv, format="yuv420p")
                large = frame.reformat(width=width, height=height, interpolation=Interpolation.BICUBIC)
                large.pts = frame.pts
                target.mux(stream.encode(large))
            target.mux(stream.encode(None))
        memory.seek(0)
        with av.open(memory, "r") as source:
            for number, frame in enumerate(source.decode(video=0)):
                if number % 2 == 0:
                    small = frame.reformat(
                        width=FRAME[1], height=FRAME[0], interpolation=Interpolation.AREA, threads=1
                    )
                    yield small.to_ndarray()[: FRAME[0]].astype(np.float32)


def _drawn(
    case: str,
    names: tuple[str, str],
    random: Random,
    seconds: float,
    scene: _Scene,
    draw: Callable[[float], Plane],
) -> Clip:
    seed = int(random.integers(2**31))

    def frames() -> Iterator[Plane]:
        grain = np.random.default_rng(seed)
        for time in _times(seconds):
            yield photographed(draw(time), scene.noise, grain)

    return Clip(case, names, frames)


def scaled(plane: Plane, factor: float) -> Plane:
    """Enlarged about the middle."""
    middle = np.array([(side - 1) / 2 for side in plane.shape])
    offset = middle - middle / factor
    return np.asarray(affine_transform(plane, [1 / factor] * 2, offset, order=3, mode="mirror"), np.float32)


# -- all of them -------------------------------------------------------------------------------------

HUNTING: tuple[str, ...] = (
    "hunting, whole frame",
    "hunting, subject only",
    "hunting, near against far",
    "hunting, slight sway",
    "hunting, lens breathes",
    "hunting, coded",
)
OTHERS: Mapping[str, Callable[[tuple[str, str], Random, str], Clip]] = {
    "still": _still,
    "rack focus": _rack,
    "pan or tilt": _pan,
    "handheld sway": _swaying,
    "subject moves": _moving_subject,
    "light changes": _light,
    "zoom": _zoom,
    "compression pumps": _pumping,
}
LEAST_SWING, MOST_SWING = 1.5, 8.0


def make_clip(photographs: tuple[str, ...], seed: int, case: str, ordinal: int) -> Clip:
    """One clip of a case, the same for the same numbers."""
    number = (*HUNTING, *OTHERS).index(case)
    random = np.random.default_rng((seed, number, ordinal))
    first, second = random.permutation(len(photographs))[:2]
    names = (photographs[int(first)], photographs[int(second)])
    if case in OTHERS:
        return OTHERS[case](names, random, case)
    swing = float(np.exp(random.uniform(math.log(LEAST_SWING), math.log(MOST_SWING))))
    make = _hunting_coded if case == "hunting, coded" else _hunting
    return make(names, random, case, swing)
