"""Which files are one recording that the camera or recorder split: chained by evidence, never by a guess.

Names must count on by one and the formats must agree. Then either timecode (for sound, `bext` samples since
midnight) runs on without a gap, and the first file stopped at a size limit or no clock speaks against it; or,
where there is no timecode, the first file stopped at a size limit and the times fit. Timecode alone is not
enough: a camera set to run it only while recording continues it from take to take.
"""

from __future__ import annotations

import datetime as dt
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from ingest.media.facts import Facts
from ingest.media.kinds import suffix_of
from shared.errors import TimecodeError
from shared.names import fold
from shared.timecode import Rate
from shared.when import real_duration

# FAT32 holds files of 4 GiB - 1 (published FAT specification); decimal 4 GB is a usual chunk (no source).
SIZE_LIMITS = (2**32 - 1, 4_000_000_000)
NEAR_LIMIT = Fraction(98, 100)
# Seconds by which times may miss: stamps have whole seconds, FAT keeps a file's time to 2 s.
STAMP_SLACK, FILE_SLACK = 2, 3

_DIGITS = re.compile(r"[0-9]+")
_CHAPTER_AND_NUMBER = 6  # two digits of chapter before four of the take (common practice, no source)
_DCF_FOLDER = re.compile(r"([0-9]{3})(\w{5})")
# What MediaInfo calls the device that made a file.
BODY_FIELDS = (
    "Encoded_Hardware",
    "Encoded_Hardware_CompanyName",
    "Encoded_Hardware_Name",
    "Encoded_Hardware_Model",
)
_STAMP = re.compile(r"(\d{4}-\d\d-\d\d)[ T](\d\d:\d\d:\d\d)")


Place = tuple[str, str, bytes]  # folder, stem, suffix


@dataclass(frozen=True, slots=True)
class MediaFile:
    """One file of a card. `path` is relative to it; `problem` says why it could not be read."""

    path: bytes
    size: int
    mtime_ns: int
    facts: Facts | None = None
    problem: str | None = None


def find_spans(files: Sequence[MediaFile], indexes: Sequence[int]) -> list[list[int]]:
    """Which of the files at these indexes are one recording, in its order; only of recordings in several."""
    places = index_places(files, indexes)
    following: dict[int, int] = {}
    for index in indexes:
        file = files[index]
        found = [places[place] for place in next_places(file.path) if place in places]
        joining = [other for other in found if other != index and is_continued(file, files[other])]
        if len(joining) == 1:
            following[index] = joining[0]
    claims = Counter(following.values())
    following = {index: other for index, other in following.items() if claims[other] == 1}
    continued = set(following.values())
    return [_chain(index, following) for index in indexes if index in following and index not in continued]


def index_places(files: Sequence[MediaFile], indexes: Iterable[int]) -> dict[Place, int]:
    """The files at these indexes by their place. Very many share a folder, which is kept once."""
    folders: dict[str, str] = {}
    places: dict[Place, int] = {}
    for index in indexes:
        folder, stem, suffix = place_of(files[index].path)
        places[folders.setdefault(folder, folder), stem, suffix] = index
    return places


def _chain(index: int, following: Mapping[int, int]) -> list[int]:
    chain = [index]
    while chain[-1] in following:
        chain.append(following[chain[-1]])
    return chain


def place_of(path: bytes) -> Place:
    """Folder, stem and suffix as files are told apart by them: without case."""
    folder, _, name = path.rpartition(b"/")
    suffix = suffix_of(name)
    return fold(folder), fold(name[: -len(suffix) - 1] if suffix else name), suffix


def next_places(path: bytes) -> Iterator[Place]:
    """Where the next file of a recording could be: one number of the name counted on by one."""
    folder, stem, suffix = place_of(path)
    for counted in _counted_on(stem):
        yield folder, counted, suffix
    above, slash, name = folder.rpartition("/")
    match = _DCF_FOLDER.fullmatch(name)
    if match and match[1] != "999":  # JEITA CP-3461 (DCF): a full folder is followed by the next number
        beside = f"{above}{slash}{int(match[1]) + 1:03d}{match[2]}"
        for counted in _counted_on(stem):
            yield beside, counted, suffix


def _counted_on(stem: str) -> Iterator[str]:
    for match in _DIGITS.finditer(stem):
        places = [match.span()]
        if len(match[0]) == _CHAPTER_AND_NUMBER:
            places.append((match.start(), match.start() + 2))
        for first, last in places:
            number = str(int(stem[first:last]) + 1).zfill(last - first)
            if len(number) == last - first:
                yield stem[:first] + number + stem[last:]


def is_continued(file: MediaFile, following: MediaFile) -> bool:
    """Whether `following` is the next part of the recording in `file`, by their facts, sizes and times."""
    facts, after = file.facts, following.facts
    if facts is None or after is None or format_of(facts) != format_of(after):
        return False
    if body_of(facts) != body_of(after):
        return False
    length, length_after = seconds_of(facts), seconds_of(after)
    if length is None or length_after is None:
        return False
    full = is_full(file)
    # Clocks run on while a take is taken, which for slow motion is less long than it plays.
    took = (real_duration(facts) or length, real_duration(after) or length_after)
    clocks = _clocks_agree(file, following, took)
    runs_on = _runs_on(facts, after)
    if runs_on is None:
        return full and clocks is True
    return runs_on and (full or clocks is not False)


def is_full(file: MediaFile) -> bool:
    """Whether the file stopped at a size limit."""
    return any(limit * NEAR_LIMIT <= file.size <= limit for limit in SIZE_LIMITS)


def format_of(facts: Facts) -> tuple[object, ...]:
    return (
        *(facts.container, facts.video_codec, facts.width, facts.height, facts.rate_num, facts.rate_den),
        *(facts.bit_depth, facts.chroma, facts.transfer, facts.drop_frame),
        *(facts.audio_codec, facts.audio_channels, facts.audio_tracks, facts.audio_rate, facts.audio_bits),
    )


def body_of(facts: Facts) -> tuple[object, ...]:
    """Which device the file names as the one that made it. A card of one body can hold files of another."""
    declared, bext = facts.more.get("declared"), facts.more.get("bext")
    named = declared if isinstance(declared, dict) else {}
    recorder = bext.get("originator") if isinstance(bext, dict) else None
    return (*(named.get(field) for field in BODY_FIELDS), recorder)


def seconds_of(facts: Facts) -> Fraction | None:
    if facts.video_codec is not None:
        if facts.frames is None or not facts.rate_num or not facts.rate_den:
            return None
        return Fraction(facts.frames * facts.rate_den, facts.rate_num)
    if facts.samples is None or not facts.audio_rate:
        return None
    return Fraction(facts.samples, facts.audio_rate)


def _runs_on(facts: Facts, after: Facts) -> bool | None:
    """Whether the second file begins right after the first's last frame or sample. None: neither says."""
    if _start(facts) is None and _start(after) is None:
        return None
    return gap_between(facts, after) == 0


def gap_between(facts: Facts, after: Facts) -> Fraction | None:
    """Seconds from the end of the one file to the start of the other, by timecode or `bext`, within a day."""
    start, start_after = _start(facts), _start(after)
    if facts.video_codec is not None:
        count, day = facts.frames, frames_per_day_of(facts)
        per_second = Fraction(facts.rate_num or 1, facts.rate_den or 1)
    else:
        count, day = facts.samples, (facts.audio_rate or 0) * 86_400
        per_second = Fraction(facts.audio_rate or 1)
    if start is None or start_after is None or count is None or not day:
        return None
    return (start_after - start - count) % day / per_second


def _start(facts: Facts) -> int | None:
    """The first frame's or sample's number since midnight."""
    found = facts.start_frame if facts.video_codec is not None else facts.more.get("time_reference_samples")
    return None if found is None else int(found)


def frames_per_day_of(facts: Facts) -> int:
    try:
        return Rate(facts.rate_num or 0, facts.rate_den or 1).frames_per_day(bool(facts.drop_frame))
    except TimecodeError:
        return 0


def _clocks_agree(file: MediaFile, following: MediaFile, lengths: tuple[Fraction, Fraction]) -> bool | None:
    """Whether both were recorded in one go, by their own stamps, else by the card's. None: can't be told."""
    facts, after = file.facts, following.facts
    if facts is not None and after is not None and facts.recorded_field == after.recorded_field:
        stamp, stamp_after = _stamp(facts), _stamp(after)
        if stamp is not None and stamp_after is not None:
            step = Fraction((stamp_after - stamp) // dt.timedelta(microseconds=1), 10**6)
            said = _step_fits(step, lengths, STAMP_SLACK)
            if said is not None:
                return said
    return _step_fits(Fraction(following.mtime_ns - file.mtime_ns, 10**9), lengths, FILE_SLACK)


def _step_fits(step: Fraction, lengths: tuple[Fraction, Fraction], slack: int) -> bool | None:
    """A time is that of a file's start or of its end: so the step is the length of the one or the other."""
    if any(abs(step - length) <= slack for length in lengths):
        return True
    return None if abs(step) <= slack else False  # one time for both files says nothing


def _stamp(facts: Facts) -> dt.datetime | None:
    match = _STAMP.search(facts.recorded_raw or "")
    try:
        return dt.datetime.fromisoformat(f"{match[1]}T{match[2]}") if match else None
    except ValueError:
        return None
