"""Parts of a recording that are not on the card: said only where the files that are there prove it.

Three proofs: the last file stopped at the size limit and nothing carries it on; chapters of a take are
numbered and one is not there; or between two files lies a gap of exactly as many parts as numbers left out.
A number left out alone proves nothing: takes are deleted in the camera.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from fractions import Fraction

from ingest.media.facts import WARNING, Noticed
from ingest.spans import (
    SIZE_LIMITS,
    STAMP_SLACK,
    MediaFile,
    Place,
    format_of,
    gap_between,
    index_places,
    is_full,
    next_places,
    place_of,
    seconds_of,
)
from shared.names import display

PART_MISSING = "part-missing"

_CHAPTERED = re.compile(r"(.*?)([0-9]{2})([0-9]{4})(\D*)")
_NUMBERED = re.compile(r"(.*?)([0-9]+)(\D*)")
_MOST_PARTS = 20  # left out in one gap
_SHORTEST_PART = 60  # seconds; a shorter gap may be anything
_GAP_SLACK = Fraction(2, 100)  # parts of one size differ a little in length

_Chapter = tuple[str, str, str, bytes, str]  # folder, before, after, suffix, take


def find_missing(files: Sequence[MediaFile], takes: Sequence[Sequence[int]]) -> dict[int, Noticed]:
    """What is missing of each take, by the index of its first file. `takes`: indexes, of all takes of the
    card that have picture or sound."""
    indexes = [index for take in takes for index in take]
    places = index_places(files, indexes)
    found: dict[int, Noticed] = {}
    chapters = _missing_chapters(files, takes)
    for take in takes:
        said = chapters.get(take[0]) or _gap(files, places, take) or _dangling(files, places, indexes, take)
        if said is not None:
            found[take[0]] = said
    return found


def _dangling(
    files: Sequence[MediaFile], places: Mapping[Place, int], indexes: Sequence[int], take: Sequence[int]
) -> Noticed | None:
    last = files[take[-1]]
    if last.facts is None or not is_full(last) or any(place in places for place in next_places(last.path)):
        return None
    there = (files[index] for index in indexes)
    if any(file.size > max(SIZE_LIMITS) and file.facts is not None for file in there):
        return None  # this card takes larger files: nothing stops at the limit
    return _noticed(
        f"{display(last.path)} stops at the size limit of a file, and the part that carries it on is not "
        "on this card.",
        1,
        "A file of 4 GB or 4 GiB that was cut off is followed by the next number.",
    )


def _gap(files: Sequence[MediaFile], places: Mapping[Place, int], take: Sequence[int]) -> Noticed | None:
    """Numbers left out after this take, and a gap of as many parts in its timecode."""
    last = files[take[-1]]
    length = _length(last)
    if last.facts is None or length is None or length < _SHORTEST_PART:
        return None
    before = _length(files[take[-2]]) if len(take) > 1 else None
    if not is_full(last) and (before is None or abs(before - length) > STAMP_SLACK):
        return None  # nothing shows that it was cut into parts
    folder, stem, suffix = place_of(last.path)
    match = _NUMBERED.fullmatch(stem)
    if match is None:
        return None
    left_out: list[str] = []
    for step in range(1, _MOST_PARTS + 2):
        number = str(int(match[2]) + step).zfill(len(match[2]))
        index = places.get((folder, f"{match[1]}{number}{match[3]}", suffix))
        if index is None:
            left_out.append(number)
            continue
        after = files[index].facts
        if not left_out or after is None or format_of(after) != format_of(last.facts):
            return None
        gap = gap_between(last.facts, after)
        parts = len(left_out)
        if gap is None or abs(gap - parts * length) > max(Fraction(STAMP_SLACK), _GAP_SLACK * parts * length):
            return None
        return _noticed(
            f"Between {display(last.path)} and {display(files[index].path)} the timecode runs on for "
            f"{float(gap):.1f} s, as long as {_parts(parts)}: {', '.join(left_out)} "
            f"{'is' if parts == 1 else 'are'} not on this card.",
            parts,
            "Parts of one recording count on by one without a gap.",
        )
    return None


def _missing_chapters(files: Sequence[MediaFile], takes: Sequence[Sequence[int]]) -> dict[int, Noticed]:
    """Chapters left out, on a card where some take is shown to be split into numbered chapters."""
    schemes = {key[:4] for take in takes for key in _joined_chapters(files, take)}
    there: dict[_Chapter, dict[int, int]] = defaultdict(dict)  # chapter to the take's first file
    for take in takes:
        for index in take:
            key, chapter = _chapter(files[index])
            if key is not None and key[:4] in schemes:
                there[key][chapter] = take[0]
    found: dict[int, Noticed] = {}
    for key, chapters in there.items():
        left_out = [number for number in range(1, max(chapters)) if number not in chapters]
        if left_out and len(left_out) <= _MOST_PARTS:
            named = ", ".join(f"{key[1]}{number:02d}{key[4]}{key[2]}".upper() for number in left_out)
            found[chapters[min(chapters)]] = _noticed(
                f"{_parts(len(left_out)).capitalize()} of this recording not on this card: {named}.",
                len(left_out),
                "Chapters of a take are numbered from 01 without a gap.",
            )
    return found


def _joined_chapters(files: Sequence[MediaFile], take: Sequence[int]) -> list[_Chapter]:
    """The scheme of a take whose files are joined as chapter 01, 02 …"""
    numbered = [_chapter(files[index]) for index in take]
    keys = {key for key, _ in numbered}
    key = numbered[0][0]
    if len(take) < 2 or len(keys) != 1 or key is None:
        return []
    return [key] if [chapter for _, chapter in numbered] == list(range(1, len(take) + 1)) else []


def _chapter(file: MediaFile) -> tuple[_Chapter | None, int]:
    folder, stem, suffix = place_of(file.path)
    match = _CHAPTERED.fullmatch(stem)
    if match is None or match[1][-1:].isdigit():
        return None, 0
    return (folder, match[1], match[4], suffix, match[3]), int(match[2])


def _length(file: MediaFile) -> Fraction | None:
    return None if file.facts is None else seconds_of(file.facts)


def _parts(count: int) -> str:
    return "one part" if count == 1 else f"{count} parts"


def _noticed(message: str, count: int, rule: str) -> Noticed:
    return Noticed(PART_MISSING, WARNING, message, value=count, unit="files", rule=rule)
