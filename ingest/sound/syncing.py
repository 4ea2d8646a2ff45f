"""Find which sound belongs to which picture: pair by the clocks, compare by sound, write what was found.

No session is open while sound is compared, which takes seconds for each pair.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby

from ingest.sound.measure import Measured, Recording, measure_pair
from ingest.sound.pairing import Candidate, Span, pair_up, seconds_between
from shared.catalogue.clip_rows import clip_seconds
from shared.catalogue.pairs import EssencePart, essence_parts, find_pair, name_of, store_pair
from shared.db import Sessions, reading, writing
from shared.errors import MediaError
from shared.models import Clip, SyncMethod, SyncState
from shared.settings import Settings

WITHIN_SECONDS = Fraction(600)
"""How far a clock may be wrong: the search goes this far, and so do the pairs that are tried."""


@dataclass(frozen=True, slots=True)
class Told:
    """What came of it: the rows written, and pairs that could not be compared, each with the reason."""

    pair_ids: tuple[int, ...]
    problems: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Side:
    """One clip, apart from any session."""

    name: str
    span: Span | None  # none: when it was shot is not known
    seconds: Fraction
    rate: int  # samples a second; of a picture 0
    parts: tuple[EssencePart, ...]


class Syncing:
    """One run over some clips. `say` hears which pair is being compared."""

    def __init__(
        self,
        sessions: Sessions,
        settings: Settings,
        within: Fraction = WITHIN_SECONDS,
        say: Callable[[str], None] = lambda _: None,
    ) -> None:
        self._sessions, self._settings = sessions, settings
        self._within, self._say = within, say
        self._sides: dict[int, _Side] = {}
        self._stored: list[int] = []
        self._problems: list[str] = []

    def all_of(self, pictures: Sequence[Clip], sounds: Sequence[Clip]) -> Told:
        """Compare each picture with the sounds that ran beside it by the clocks; where none of them matches,
        with those a wrong clock could have put elsewhere, the nearest first, until one does.
        """
        spans = [[span for clip in clips if (span := _span(clip))] for clips in (pictures, sounds)]
        self._read(clip.id for clip in (*pictures, *sounds))
        pairs = pair_up(spans[0], spans[1], self._within)
        for _, candidates in groupby(pairs, key=lambda pair: pair.picture.clip_id):
            self._match(list(candidates))
        return self._told()

    def one(self, picture: Clip, sound: Clip) -> Told:
        """Compare these two, whatever the clocks say; where those put them out of reach, everywhere."""
        self._read((picture.id, sound.id))
        one, other = self._sides[picture.id], self._sides[sound.id]
        expected, radius = Fraction(0), one.seconds + other.seconds
        if one.span is not None and other.span is not None:
            claimed = seconds_between(other.span.start, one.span.start)
            if _overlap(one, other, claimed) > -self._within:
                expected, radius = claimed, self._within
        self._compare(picture.id, sound.id, expected, radius)
        return self._told()

    def _match(self, candidates: Sequence[Candidate]) -> None:
        beside = [one for one in candidates if one.overlap > 0]
        elsewhere = [one for one in candidates if one.overlap <= 0]
        # A recorder may stop and start again during one picture: all that ran beside it are compared.
        matched = [self._compare_candidate(one) for one in beside]
        if not any(matched):
            any(map(self._compare_candidate, elsewhere))  # stops at the first that matches

    def _compare_candidate(self, one: Candidate) -> bool:
        return self._compare(one.picture.clip_id, one.sound.clip_id, one.offset, self._within)

    def _compare(self, picture_id: int, sound_id: int, expected: Fraction, radius: Fraction) -> bool:
        """Compare and store one pair. Returns whether it matches."""
        picture, sound = self._sides[picture_id], self._sides[sound_id]
        with reading(self._sessions) as session:
            known = find_pair(session, picture_id, sound_id)
            if known is not None and known.state is SyncState.CONFIRMED:
                self._stored.append(known.id)
                return True
        self._say(f"{picture.name} with {sound.name}")
        try:
            found = measure_pair(_recording(picture), _recording(sound), expected, radius, self._settings)
        except MediaError as error:
            self._problems.append(f"{picture.name} with {sound.name}: {error}")
            if _overlap(picture, sound, expected) > 0:
                self._store(picture_id, sound_id, expected, None)
            return False
        self._store(picture_id, sound_id, expected, found)
        return found.offset is not None

    def _store(self, picture_id: int, sound_id: int, expected: Fraction, found: Measured | None) -> None:
        """`found` None: the sound could not be compared, and the clocks' claim is all there is."""
        picture, sound = self._sides[picture_id], self._sides[sound_id]
        offset = expected if found is None else found.offset
        at = expected if offset is None else offset
        with writing(self._sessions) as session:
            pair = store_pair(
                session,
                picture_id,
                sound_id,
                overlap_ms=round(_overlap(picture, sound, at) * 1000),
                rate=sound.rate,
                offset_samples=None if offset is None else round(offset * sound.rate),
                drift_ppb=None if found is None else found.drift_ppb,
                confidence=0.0 if found is None else found.confidence,
                method=SyncMethod.CLOCK if found is None else SyncMethod.SOUND,
                state=SyncState.NO_MATCH if offset is None else SyncState.SUGGESTED,
            )
            self._stored.append(pair.id)

    def _read(self, clip_ids: Iterable[int]) -> None:
        with reading(self._sessions) as session:
            for clip_id in clip_ids:
                clip = session.get_one(Clip, clip_id)
                seconds = clip_seconds(clip) or Fraction(0)
                rate = round(clip.per_second) if clip.per_second is not None else 0
                self._sides[clip_id] = _Side(
                    name_of(clip), _span(clip), seconds, rate, essence_parts(session, clip)
                )

    def _told(self) -> Told:
        return Told(tuple(self._stored), tuple(self._problems))


def _span(clip: Clip) -> Span | None:
    seconds = clip_seconds(clip)
    return None if clip.shot_at is None or not seconds else Span(clip.id, clip.shot_at, seconds)


def _overlap(picture: _Side, sound: _Side, offset: Fraction) -> Fraction:
    return min(offset + picture.seconds, sound.seconds) - max(offset, Fraction(0))


def _recording(side: _Side) -> Recording:
    return recording_of(side.name, side.parts, side.seconds)


def recording_of(name: str, parts: Sequence[EssencePart], seconds: Fraction) -> Recording:
    """The first copy of each file that is there now. Raises MediaError when a file has none."""
    files = []
    for part in parts:
        copy = next((path for path in part.copies if path.is_file()), None)
        if copy is None:
            raise MediaError(f"no verified copy of {name} is at hand", remedy="Connect one of its drives.")
        files.append((copy, part.start))
    if not files:
        raise MediaError(f"{name} has no file to read")
    return Recording(tuple(files), seconds)
