"""README.txt: one page for the editor who opens the folder and knows nothing of how it was made."""

from __future__ import annotations

import os
import re
import textwrap
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from fractions import Fraction

from api.handover import (
    contact_sheets,
    edl,
    manifests,
    markers,
    release_index,
    selects,
    shot_log,
    sound_map,
    speech,
    timeline,
)
from api.handover.contact_sheets import say_date
from api.handover.folder import Draft
from api.handover.log_cards import PAGE_NAME, PAPER_NAME
from api.handover.manifests import ReelManifests
from api.handover.missing import Gap, count_companions
from api.handover.paper_edit import PaperEdit
from api.handover.places import Place
from api.handover.profile import PARTS
from api.handover.shots import Handover
from api.handover.sums import SUMS_NAME
from api.handover.text import one_line, say_length
from api.handover.timing import sample_rate
from shared.models import ClipMedia, Production
from shared.names import display

README_NAME = "README.txt"
_WIDTH = 88
_MOST_DAYS = 5  # one page: a longer shoot is in the shot log
_GOAL_LENGTH = 110


def write_readme(
    draft: Draft,
    handover: Handover,
    places: Mapping[int, Place],
    reels: Sequence[ReelManifests],
    gaps: Sequence[Gap],
    edits: Sequence[PaperEdit],
) -> None:
    """Write `README.txt`: UTF-8, lines of at most 88 characters."""
    sections = (
        ("", _what(handover)),
        (
            "FILES",
            [*_files(reels, frozenset(draft.files), len(handover.speech)), *_outline_files(draft, edits)],
        ),
        ("RATES", _rates(handover)),
        ("TIME", _time(handover)),
        ("DAYS", _days(handover)),
        ("COPIES", _copies(places, handover)),
        ("MISSING", _missing(gaps)),
        ("CAUTION", _cautions()),
    )
    lines = [_title(handover.production)]
    for heading, items in sections:
        lines += ["", heading] if heading else []
        for item in items:
            lines += _wrap(item)
    draft.write(README_NAME, ("\n".join(lines) + "\n").encode("utf-8", "backslashreplace"))


def _wrap(item: str) -> list[str]:
    return textwrap.wrap(
        item, _WIDTH, initial_indent="- ", subsequent_indent="  ", break_on_hyphens=False
    ) or [""]


def _title(production: Production) -> str:
    name = one_line(production.name)
    return f"{name}: hand-over of footage"


def _what(handover: Handover) -> Iterator[str]:
    made = f"{handover.made_here:%Y-%m-%d %H:%M} ({handover.production.zone})"
    asked = f"for the query {one_line(handover.query)}" if handover.query.strip() else "of every clip"
    counts = Counter(shot.clip.media for shot in handover.shots)
    named = (
        (ClipMedia.VIDEO, "with picture"),
        (ClipMedia.AUDIO, "sound only"),
        (ClipMedia.IMAGE, "photographs"),
        (ClipMedia.UNKNOWN, "unreadable"),
    )
    said = ", ".join(f"{counts[media]} {text}" for media, text in named if counts[media])
    length = sum((shot.timing.seconds or Fraction(0) for shot in handover.shots), Fraction(0))
    yield f"Made {made} {asked}: {_clips(len(handover.shots))} ({said}), {say_length(length)} in all."
    if handover.profile.parts:
        left_out = "; ".join(said for part, said in PARTS.items() if part in handover.profile.parts)
        yield (
            f"Left out of our words on purpose: {left_out}. Names of files, reels and drives are as they "
            "are, and pictures and sound hold what they hold."
        )


def _files(reels: Sequence[ReelManifests], written: frozenset[str], spoken: int) -> Iterator[str]:
    yield (
        f"{shot_log.CSV_NAME}: one row a clip in time order, UTF-8, comma-separated. Open it by your "
        "spreadsheet's import with every column as text. Text that a spreadsheet would run as a formula has "
        "an apostrophe before it."
    )
    yield (
        f"{shot_log.JSON_NAME}: the same without those apostrophes, for programs, with all files, copies, "
        "moments and findings, and the sync map: which sound belongs to which picture, to the sample."
    )
    yield (f"{PAGE_NAME}, {PAPER_NAME}: the log with stills, for a browser without network and for paper.")
    yield (
        f"{timeline.TIMELINE_NAME}: an OpenTimelineIO timeline. V1 has the clips with picture, A1 the "
        "sound-only clips, each end to end in time order; nothing is in sync because it stands side by side. "
        "A spanning clip is one item a file. Moments and findings are markers. What we logged is in the "
        f'metadata "{timeline.NAMESPACE}".'
    )
    if selects.SELECTS_NAME in written:
        yield f"{selects.SELECTS_NAME}: the same of the selects alone: what was marked or circled, not NG."
    if markers.MARKERS_NAME in written:
        yield f"{markers.MARKERS_NAME}: moments and findings as a table, with timecode, frames and colour."
    if edl.REELS_NAME in written:
        yield (
            f"{edl.FOLDER}/: the clips with picture as edit decision lists (CMX 3600), one for each rate and "
            "way of counting, record from 01:00:00:00; for software that does not read the timeline. Reels "
            f"have at most eight letters there: {edl.REELS_NAME} says which is which."
        )
    if spoken:
        yield (
            f"{speech.FOLDER}/: what is said in {_clips(spoken)}, as WebVTT with voices; times are real "
            "seconds from the clip's beginning. The column transcript of the shot log names each clip's file."
        )
    yield f"{contact_sheets.FOLDER}/: stills of every clip, by day, as PNG pages and PDF."
    if written & {sound_map.CHANNELS_NAME, sound_map.PAIRS_NAME}:
        yield f"{sound_map.FOLDER}/: channel, microphone, person, problems; and what is in sync with what."
    if release_index.INDEX_NAME in written:
        yield f"{release_index.INDEX_NAME}: how each permission stands and for which clips, without names."
    lists = sum(one.files for one in reels)
    yield (
        f"{manifests.FOLDER}/: the reels' hash lists (ASC MHL) as they stand beside the footage, "
        f"{lists} file{'s' if lists != 1 else ''}."
    )
    yield f"{SUMS_NAME}: of every file here but itself; `sha256sum --check {SUMS_NAME}` compares."


def _outline_files(draft: Draft, edits: Sequence[PaperEdit]) -> Iterator[str]:
    """What an outline is handed over as, where there is one."""
    timelines = [name for name in draft.files if re.fullmatch(r"outline_.*\.otio", name)]
    if timelines:
        yield (
            f"{', '.join(timelines)}: the paper edit as a timeline that plays: V1 and A1 the ranges, "
            "V2 the cover, gaps with a marker for narration, titles and music to come. The .html and .csv of "
            "the same name are to read; the lists beginning with outline_ are its picture, with the cover "
            "cut in, and its sound. A range of another rate takes the whole edit frames that fit in it; the "
            "exact frames stand in the metadata and in the lists' comments."
        )
    if any(one.has_photographs for one in edits):
        yield (
            "A photograph of an outline stands for the time that was set: in the timeline one frame with a "
            "freeze-frame effect, in the lists one frame of 00:00:00:00 held at a speed of 000.0 (M2), with "
            "its file's name in a comment; a program that does not know such a hold may show one frame or "
            "refuse the line: lay the photograph in by hand."
        )


def _rates(handover: Handover) -> Iterator[str]:
    production = handover.production
    counting = "drop-frame" if production.drop_frame else "non-drop"
    yield f"Edit: {production.rate.label} frames a second ({production.rate}), {counting}."
    pictures = Counter(
        (shot.timing.rate, shot.timing.drop_frame)
        for shot in handover.shots
        if shot.clip.media is ClipMedia.VIDEO and shot.timing.rate is not None
    )
    if pictures:
        said = (
            f"{rate} {'drop-frame ' if drop else ''}({_clips(number)})"
            for (rate, drop), number in pictures.most_common()
        )
        yield f"Clips: {', '.join(said)}. Rates are exact: 24000/1001, never 23.976."
    hertz = Counter(rate for shot in handover.shots if (rate := sample_rate(shot.clip)) is not None)
    if hertz:
        said = (f"{float(rate):g} Hz ({_clips(number)})" for rate, number in hertz.most_common())
        yield f"Sound only: {', '.join(said)}."


def _clips(number: int) -> str:
    return f"{number} clip{'s' if number != 1 else ''}"


def _time(handover: Handover) -> Iterator[str]:
    production = handover.production
    hours, minutes = divmod(production.day_starts_minutes, 60)
    yield (
        f"Dates and times are {production.zone}; a shooting day begins at {hours:02d}:{minutes:02d}, so "
        "a clip shot after midnight belongs to the day before."
    )
    yield "OUT is exclusive everywhere: out - in = duration; the last frame of a clip is the one before OUT."
    yield (
        "Timecode is HH:MM:SS:FF; a ';' before the frames marks drop-frame. At 50 and 60 frames a second the "
        "frames field counts every frame, up to 49 or 59. Frame numbers and seconds stand beside it. A clip "
        "without timecode has empty cells, and counts from 0 in the timeline."
    )
    if any(shot.clip.media is ClipMedia.AUDIO for shot in handover.shots):
        yield (
            "Sound-only clips: the shot log gives them at the edit rate, widened to whole frames, with their "
            "exact samples in columns of their own; the timeline counts samples since midnight."
        )


def _days(handover: Handover) -> Iterator[str]:
    clips = Counter(shot.clip.day_id for shot in handover.shots)
    days = [day for day in handover.days if clips[day.id]]
    for day in days[:_MOST_DAYS]:
        goal = (
            textwrap.shorten(one_line(day.goal), _GOAL_LENGTH, placeholder=" …")
            if day.goal
            else "no goal written"
        )
        yield f"Day {day.number}, {say_date(day.date)}, {_clips(clips[day.id])}: {goal}"
    if len(days) > _MOST_DAYS:
        yield f"And {len(days) - _MOST_DAYS} more days; see the shot log."
    if clips[None]:
        yield f"Of no day: {_clips(clips[None])}."


def _copies(places: Mapping[int, Place], handover: Handover) -> Iterator[str]:
    if not places:
        yield "The catalogue knows of no copy of these clips."
    for place in places.values():
        reach = "reachable when this was made" if place.reachable else "NOT reachable when this was made"
        yield f"{display(os.fsencode(place.name))}: {display(os.fsencode(place.root))}, {reach}."
    yield (
        "The timeline names copies relative to this folder where they are on the same file system, and by "
        "absolute file: URLs elsewhere. The shot log gives each clip's path below any destination's folder."
    )
    companions = count_companions(handover)
    if companions:
        yield f"Companion files beside the clips (sidecars, proxies, thumbnails): {companions}; see the JSON."


def _missing(gaps: Iterable[Gap]) -> Iterator[str]:
    found = False
    for gap in gaps:
        found = True
        text = str(gap)
        yield f"{text[0].upper()}{text[1:]}."
    if not found:
        yield "Nothing that the catalogue knows of."
    yield "The column used is kept free, empty."


def _cautions() -> Iterator[str]:
    yield (
        "Nothing here says that anyone or anything may be shown. Filming people, minors, schools, private "
        "places, works and music, and filming from the air, need permission under local law; a release on "
        "file is not legal advice. Release status and rights are what we noted; names of who signed and the "
        "papers are not in this folder."
    )
    yield "Findings are measurements, not verdicts: look and listen before you discard anything."
