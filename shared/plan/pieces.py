"""What was shot, in pieces that the plan can count: clips, and the moments inside them that say more.

Usable = not rated NG, minus the spans that an open finding flags, minus files that can't be read. Faults of
the sound take time away where the sound is what the piece is for; faults of the picture where the picture is.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from shared.models import ClipMedia, Severity
from shared.plan.thresholds import Thresholds

SOUND = "sound-"  # how the codes of findings about sound begin
# Kinds in which sound carries the meaning. Common practice, no source.
HEARD = frozenset(
    ("interview", "vox-pop", "piece-to-camera", "a-roll", "observed", "narration", "scratch-narration")
)
SOUND_ONLY = frozenset(("room-tone", "wild-track", "ambience", "music", "sound"))
LEFT_OUT = frozenset(("ng", "test"))  # kinds that are no material
# Findings after which nothing of the file can be used, where they are faults.
UNREADABLE = frozenset(
    ("media-unreadable", "media-unknown", "media-crash", "media-memory", "no-picture", "file-truncated")
)
DEAD = frozenset(("sound-digital-zero", "sound-no-signal"))  # of one channel, from end to end
NG = "ng"


@dataclass(frozen=True, slots=True)
class Flag:
    """An open finding. `span`: first frame and one past the last, where it has a place; None: it has none."""

    code: str
    severity: Severity
    message: str
    rule: str = ""
    value: float | None = None
    unit: str = ""
    span: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Said:
    """What was logged of a clip or a moment."""

    kind: str | None = None
    size: str | None = None
    angle: str | None = None
    movement: str | None = None
    rating: str | None = None
    direction: str | None = None
    sensitive: str | None = None
    subject: str = ""
    place: str = ""
    beat: str = ""
    note: str = ""
    tags: tuple[str, ...] = ()
    people: tuple[str, ...] = ()

    def over(self, clip: Said) -> Said:
        """A moment's words, with the clip's where the moment says nothing."""
        return Said(
            kind=self.kind or clip.kind,
            size=self.size or clip.size,
            angle=self.angle or clip.angle,
            movement=self.movement or clip.movement,
            rating=self.rating or clip.rating,
            direction=self.direction or clip.direction,
            sensitive=self.sensitive or clip.sensitive,
            subject=self.subject or clip.subject,
            place=self.place or clip.place,
            beat=self.beat or clip.beat,
            note=self.note,
            tags=self.tags,
            people=self.people or clip.people,
        )

    @property
    def tells(self) -> bool:
        """Whether a moment that says this is a shot of its own."""
        return bool(self.kind or self.size or self.angle or self.rating or self.beat)


@dataclass(frozen=True, slots=True)
class Span:
    """A moment: its range in frames, its name and its log."""

    id: int
    first: int
    end: int
    name: str
    said: Said


@dataclass(frozen=True, slots=True)
class Take:
    """One clip as the plan looks at it. `unreadable`: why nothing of it can be used. `voices`: people on its
    sound channels. `paired`: another recording has its sound. `matched`: of a sound, that a
    picture has it."""

    id: int
    name: str
    day: int | None
    camera: str
    media: ClipMedia
    per_second: Fraction | None
    frames: int | None
    logged: bool
    said: Said
    flags: tuple[Flag, ...] = ()
    unreadable: str = ""
    moments: tuple[Span, ...] = ()
    voices: tuple[str, ...] = ()
    paired: bool = False
    unknown_voices: int = 0
    reel: str = ""
    channels: int | None = None  # of sound
    matched: bool = False

    @property
    def seconds(self) -> Fraction:
        return Fraction(self.frames or 0) / self.per_second if self.per_second else Fraction(0)

    @property
    def people(self) -> tuple[str, ...]:
        """Everybody who is named of it, or of a moment of it, or heard on a channel."""
        named = (*self.said.people, *self.voices, *(one for span in self.moments for one in span.said.people))
        return tuple(dict.fromkeys(named))


@dataclass(frozen=True, slots=True)
class Piece:
    """A clip, or a moment of it, with its usable seconds. `flagged`: seconds that findings took away."""

    take: Take
    moment: Span | None
    said: Said
    seconds: Fraction
    usable: Fraction
    flagged: Fraction
    flags: tuple[Flag, ...]

    @property
    def key(self) -> tuple[int, int | None]:
        return self.take.id, self.moment.id if self.moment is not None else None

    @property
    def name(self) -> str:
        if self.moment is None:
            return self.take.name
        return f"{self.take.name} [{self.moment.name or f'moment {self.moment.id}'}]"

    @property
    def has_picture(self) -> bool:
        return self.take.media in (ClipMedia.VIDEO, ClipMedia.IMAGE)

    @property
    def is_bad(self) -> bool:
        """Whether a person, or the file itself, says that nothing of it is to be used."""
        return self.said.rating == NG or self.said.kind in LEFT_OUT or bool(self.take.unreadable)


def make_pieces(takes: Iterable[Take], thresholds: Thresholds) -> list[Piece]:
    """Each clip, less its moments that are shots of their own, and each of those moments.

    A clip whose moments cover all of it is left as a piece of no length, so that it can still be named.
    """
    found: list[Piece] = []
    for take in takes:
        own = [span for span in take.moments if span.said.tells]
        covered = _union([(span.first, span.end) for span in own])
        found.append(_piece(take, None, take.said, [(0, take.frames or 0)], covered, thresholds))
        found += [piece_of(take, span, thresholds) for span in own]
    return found


def piece_of(take: Take, moment: Span | None, thresholds: Thresholds) -> Piece:
    """The whole clip, whatever its moments say, or one moment of it."""
    if moment is None:
        return _piece(take, None, take.said, [(0, take.frames or 0)], [], thresholds)
    said = moment.said.over(take.said)
    return _piece(take, moment, said, [(moment.first, moment.end)], [], thresholds)


def _piece(
    take: Take,
    moment: Span | None,
    said: Said,
    ranges: Sequence[tuple[int, int]],
    without: Sequence[tuple[int, int]],
    thresholds: Thresholds,
) -> Piece:
    flags = tuple(flag for flag in take.flags if _concerns(flag, take, said))
    if take.media is ClipMedia.IMAGE:
        whole, left = Fraction(thresholds["still-seconds"]), Fraction(thresholds["still-seconds"])
    else:
        own = _subtract(ranges, without)
        spans = [flag.span for flag in flags if flag.span is not None and flag.severity is not Severity.NOTE]
        whole, left = _seconds(own, take), _seconds(_subtract(own, _union(spans)), take)
        if take.channels and sum(flag.code in DEAD for flag in flags) >= take.channels:
            left = Fraction(0)  # not one channel has anything on it
    flagged = whole - left
    unrated = said.rating is None and not thresholds["unrated-counts"]
    bad = said.rating == NG or said.kind in LEFT_OUT or take.unreadable or unrated
    return Piece(take, moment, said, whole, Fraction(0) if bad else left, flagged, flags)


def _concerns(flag: Flag, take: Take, said: Said) -> bool:
    """Whether a finding says something against what this piece is for."""
    of_sound = flag.code.startswith(SOUND)
    if take.media is ClipMedia.AUDIO or said.kind in SOUND_ONLY:
        return of_sound
    if of_sound:
        return said.kind in HEARD and not take.paired
    return True


def _seconds(ranges: Sequence[tuple[int, int]], take: Take) -> Fraction:
    frames = sum(end - first for first, end in ranges)
    return Fraction(frames) / take.per_second if take.per_second else Fraction(0)


def _union(ranges: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    joined: list[tuple[int, int]] = []
    for first, end in sorted(one for one in ranges if one[1] > one[0]):
        if joined and first <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((first, end))
    return joined


def _subtract(ranges: Sequence[tuple[int, int]], without: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """What is left of `ranges`. `without` is in order and does not overlap."""
    left = []
    for first, end in ranges:
        at = first
        for other_first, other_end in without:
            if other_end <= at or other_first >= end:
                continue
            if other_first > at:
                left.append((at, other_first))
            at = max(at, other_end)
        if at < end:
            left.append((at, end))
    return left
