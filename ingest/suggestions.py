"""What the numbers suggest for a clip's log: movement, support, shot size and kind, each with its confidence.

Pure. A suggestion is no word of a person and never stands in the log by itself. All limits here are common
practice, no source, scored by `make calibrate`.

The shot size is that of a standing person, who is ten faces tall from the chin to the roots of the hair
(Vitruvius, De architectura III, 1: "the face a tenth, the head an eighth of the whole height"; from memory).
The detector leaves out the upper forehead: its boxes had 0.87 of that height on the photograph of
`tests/calibrate/faces.py`. So the face says how many frames tall the person would stand.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from ingest.measure.picture_numbers import PictureNumbers, Travel
from ingest.measure.sound_numbers import Channel, SoundMeasured

MOVING = 0.02  # heights a second: slower is a drift that nobody sees
EVEN = 0.75  # share of pictures that go one way, in a move that is meant
GROWING = 0.012  # of the picture's size a second
HELD = 0.0012  # root mean square of the shake, heights: more is a hand, not a tripod
MOST_HELD = 0.05
TALK = 0.35  # share of time with speech
HUSH = 0.03
INTERVIEW_SECONDS = 20.0
TONE_SECONDS = 20.0
TONE_LOUDEST_DB = -40.0  # dBFS, root mean square: louder is music, traffic or a machine, not a silence
TONE_STEADY_DB = 2.5  # standard deviation of the level, second by second
FALSE_START_SECONDS = 3.0
SEEN_FACE = 0.4  # share of the pictures looked at that show a face, in a clip of a face
FACE_OF_PERSON = 0.1 * 0.87
SIZES = (
    ("ls", 0.72),
    ("fs", 1.04),
    ("mls", 1.66),
    ("ms", 2.7),
    ("mcu", 4.1),
    ("cu", 7.0),
    ("bcu", math.inf),
)
"""Shot sizes, and up to how many frame heights the person would stand: geometric means between usual ones.
Those are 0.6 for a long shot, 0.87 from head to toe, 1.25 to the knees (the frame holds 0.8 of the person),
2.2 to the waist (0.45), 3.3 to the chest (0.3), 5.2 for head and neck (0.19), 9.5 from forehead to chin."""
BARS_DEPART = 0.02  # of white less black
STEPS = 6  # of a grey scale, at least
TONE_HERTZ = (950.0, 1050.0)
LINE_UP_SECONDS = 3.0
SLATE_SECONDS = 15.0
MOST_CLAPS = 3
FIRST_SECONDS = 10.0
SAME_FRAMING = 0.93  # correlation of two framings


@dataclass(frozen=True, slots=True)
class Suggested:
    """`confidence` 0 to 1; `reason`: the rule with its numbers."""

    field: str
    value: str
    confidence: float
    reason: str


@dataclass(frozen=True, slots=True)
class Seen:
    """What is known of one clip. `covered`, `carried`: findings that were made of it. `opens_reel`: it is the
    first of its reel."""

    picture: PictureNumbers | None
    sound: SoundMeasured | None
    seconds: float
    is_drone: bool = False
    covered: bool = False
    carried: bool = False
    opens_reel: bool = False


def suggest(seen: Seen) -> tuple[Suggested, ...]:
    """At most one suggestion a field: the surest."""
    best: dict[str, Suggested] = {}
    for one in (*_movement(seen), *_support(seen), *_size(seen), *_kind(seen), *_test(seen)):
        if one.field not in best or one.confidence > best[one.field].confidence:
            best[one.field] = one
    return tuple(best.values())


def _travels(seen: Seen) -> list[tuple[int, Travel]]:
    stretches = seen.picture.stretches if seen.picture is not None else ()
    return [
        (one.frames, one.travel) for one in stretches if one.travel is not None and one.travel.followed >= 0.5
    ]


def _movement(seen: Seen) -> Iterator[Suggested]:
    """From the longest stretch that was looked at whole."""
    travels = _travels(seen)
    if not travels or seen.carried or seen.covered:
        return
    _, travel = max(travels, key=lambda one: one[0])
    speed = math.hypot(travel.right, travel.down)
    going = speed >= MOVING and travel.even >= EVEN
    if abs(travel.scale) >= GROWING and travel.growing >= EVEN and abs(travel.scale) > speed / 2:
        nearer = travel.scale > 0
        yield Suggested(
            "movement",
            "push-in" if nearer else "pull-out",
            0.6,
            f"The picture {'grows' if nearer else 'shrinks'} by {abs(travel.scale):.1%} a second; a zoom "
            "looks the same.",
        )
    elif going and abs(travel.right) >= 2 * abs(travel.down):
        yield Suggested(
            "movement", "pan", _surely(travel), f"{abs(travel.right):.0%} of the height a second."
        )
    elif going and abs(travel.down) >= 2 * abs(travel.right):
        yield Suggested(
            "movement", "tilt", _surely(travel), f"{abs(travel.down):.0%} of the height a second."
        )
    elif speed < MOVING / 2 and abs(travel.scale) < GROWING / 2 and _shake(seen) < HELD:
        yield Suggested("movement", "static", 0.9, f"Under {MOVING:.0%} of the height a second, no shake.")


def _surely(travel: Travel) -> float:
    return round(min(0.95, 0.5 + 0.5 * travel.even * travel.followed), 2)


def _shake(seen: Seen) -> float:
    shakes = [
        one.shake.shake for one in (seen.picture.stretches if seen.picture else ()) if one.shake is not None
    ]
    return statistics.median(shakes) if shakes else math.inf


def _support(seen: Seen) -> Iterator[Suggested]:
    if seen.is_drone:
        yield Suggested("support", "drone", 0.95, "The camera is a drone by the kit list.")
    elif _travels(seen) and HELD <= _shake(seen) <= MOST_HELD:
        sure = 0.6 if _shake(seen) < 2 * HELD else 0.8
        yield Suggested("support", "handheld", sure, f"Shakes by {_shake(seen):.2%} of the height.")


def _face(seen: Seen) -> float | None:
    """Height of the largest face, of the picture's: the median of those that show one, if enough do."""
    looks = seen.picture.looks if seen.picture is not None else ()
    heights = [one.faces[0] for one in looks if one.faces]
    enough = len(heights) >= max(min(2, len(looks)), SEEN_FACE * len(looks))
    return statistics.median(heights) if heights and enough else None


def _size(seen: Seen) -> Iterator[Suggested]:
    face = _face(seen)
    if face is None:
        return
    figure = face / FACE_OF_PERSON
    size = next(name for name, most in SIZES if figure < most)
    nearest = min(abs(math.log(figure / most)) for _, most in SIZES[:-1])
    yield Suggested(
        "size",
        size,
        round(min(0.85, 0.5 + 1.5 * nearest), 2),
        f"The largest face has {face:.0%} of the picture's height: standing, the person would have "
        f"{figure:.1f} of it.",
    )


def _is_still(seen: Seen) -> bool:
    return any(one.value == "static" for one in _movement(seen)) or seen.picture is None


def _speech(seen: Seen) -> float | None:
    """Share of time with speech, on the channel that has most; None without sound."""
    return max((one.speech.share for one in _live(seen)), default=None)


def _kind(seen: Seen) -> Iterator[Suggested]:
    still, speech = _is_still(seen), _speech(seen)
    if 0 < seen.seconds < FALSE_START_SECONDS:
        yield Suggested("kind", "ng", 0.5, f"{seen.seconds:.1f} s long: perhaps a false start.")
    if seen.covered and (speech is None or speech < HUSH):
        yield Suggested("kind", "ng", 0.8, "The lens was covered, and nobody speaks.")
    if seen.carried:
        yield Suggested("kind", "ng", 0.6, "It seems to have been recorded while the camera was carried.")
    if speech is None:
        return
    face = _face(seen)
    quiet = speech < HUSH and seen.seconds >= TONE_SECONDS and _is_steady(seen)
    if still and quiet and face is None:
        yield Suggested(
            "kind", "room-tone", 0.7, f"{seen.seconds:.0f} s without speech, its level steady, nothing moves."
        )
    if seen.picture is None or not still or speech < TALK or seen.seconds < INTERVIEW_SECONDS:
        return
    said = f"Speech {speech:.0%} of the time before a camera that stands still"
    if face is not None:
        yield Suggested("kind", "interview", 0.8, f"{said}, and a face.")
    elif not seen.picture.sought_faces:
        yield Suggested("kind", "interview", 0.5, f"{said}; no face was looked for.")


def _test(seen: Seen) -> Iterator[Suggested]:
    """Taken for the crew: bars, a grey scale, a tone to line up with, a slate, a try of the camera."""
    looks = seen.picture.looks if seen.picture is not None else ()
    bars = sum(one.stripes.departure <= BARS_DEPART for one in looks)
    steps = sum(one.stripes.count >= STEPS for one in looks)
    if looks and 2 * bars > len(looks):
        yield Suggested("kind", "test", 0.95, "Colour bars.")
    elif looks and 2 * steps > len(looks):
        yield Suggested("kind", "test", 0.8, "A scale of even steps, as of a chart.")
    speech, low, high = _speech(seen), *TONE_HERTZ
    tones = [one.tone for one in _live(seen) if low <= one.tone.hertz <= high]
    longest = max(tones, key=lambda one: one.seconds, default=None)
    if longest is not None and longest.seconds >= max(LINE_UP_SECONDS, seen.seconds / 2):
        yield Suggested(
            "kind",
            "test",
            0.9,
            f"A tone of {longest.hertz:.0f} Hz at {longest.level_db:.0f} dBFS for {longest.seconds:.0f} s.",
        )
    claps = max((one.claps.count for one in _live(seen)), default=0)
    if 0 < seen.seconds <= SLATE_SECONDS and 0 < claps <= MOST_CLAPS and _is_still(seen):
        yield Suggested("kind", "test", 0.6, f"{seen.seconds:.0f} s long, with a clap: perhaps a slate.")
    first = seen.opens_reel and FALSE_START_SECONDS <= seen.seconds <= FIRST_SECONDS
    if first and (speech is None or speech < TALK):
        yield Suggested(
            "kind",
            "test",
            0.5,
            f"The first of its reel, {seen.seconds:.0f} s long: perhaps a try of the camera.",
        )


def _live(seen: Seen) -> Sequence[Channel]:
    """Channels that carry something."""
    return [one for one in (seen.sound.channels if seen.sound else ()) if one.levels.rms_db > -90]


def _is_steady(seen: Seen) -> bool:
    """Faint, and the same second by second, on every channel."""
    if any(one.levels.rms_db > TONE_LOUDEST_DB for one in _live(seen)):
        return False
    spreads = [statistics.pstdev(one.rms_curve) for one in _live(seen) if len(one.rms_curve) >= 5]
    return bool(spreads) and max(spreads) <= TONE_STEADY_DB


def find_setups(framings: Iterable[tuple[int, Sequence[float]]]) -> dict[int, tuple[int, float]]:
    """Clips that stand still and show the same, by clip id: the setup's first clip, and how alike they are.

    `framings` by clip id in the order of shooting, of one camera on one day. A clip alone has no setup.
    """
    firsts: list[tuple[int, Sequence[float]]] = []
    found: dict[int, tuple[int, float]] = {}
    for key, framing in framings:
        alike = [(_alike(framing, other), first) for first, other in firsts]
        best, first = max(alike, default=(0.0, key))
        if best >= SAME_FRAMING:
            found.setdefault(first, (first, best))
            found[key] = (first, best)
        else:
            firsts.append((key, framing))
    return found


def _alike(one: Sequence[float], other: Sequence[float]) -> float:
    """Correlation of two framings, which have mean 0 and standard deviation 1."""
    if len(one) != len(other) or not one:
        return 0.0
    return sum(a * b for a, b in zip(one, other, strict=True)) / len(one)
