"""The rate of the pictures, proved from the file's own table of samples or from its time stamps.

A header's "constant" is a claim. MP4, MOV and AVI list each sample; other containers stamp each picture as
it comes, so they are read from the beginning, whole where they are small. Runs in the child process.
"""

from __future__ import annotations

import dataclasses
import time
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import av
from av.container import InputContainer
from av.video.stream import VideoStream

from ingest.media.facts import WARNING, Facts, Noticed
from ingest.media.numbers import LARGEST
from ingest.media.opened import facts_rate, packets_of
from ingest.media.spacing import USUAL_RATES, Spacing, fit_terms, keeps, measure
from shared.timecode import MAX_RATE

MOST_SAMPLES = 2_000_000  # of a table: eleven hours at 50 pictures a second
MOST_PACKETS, MOST_BYTES, MOST_SECONDS = 100_000, 64 * 2**20, 3.0  # read where there is no table
_AS_NEAR = 2_000_000  # parts; 29.97 itself, as against 30000/1001, is one part in a million away
# Formats that number their pictures instead of timing them: SMPTE ST 377-1 (edit units), AVI, IEC 61834-2.
_COUNTING = frozenset(("MXF", "AVI", "DV"))


@dataclass(frozen=True, slots=True)
class Stamps:
    """Time stamps of pictures in rising order. `whole`: of all there are, `pictures` in number.

    `length`, in ticks, is what all of them take, with the last; None: not known.
    """

    ticks: tuple[int, ...]
    pictures: int
    length: int | None
    whole: bool
    proof: str


@dataclass(frozen=True, slots=True)
class Rated:
    """Facts with the rate as proved. `pictures`: how many there are, where they could be counted."""

    facts: Facts
    noticed: tuple[Noticed, ...] = ()
    pictures: int | None = None


def prove_rate(facts: Facts, source: InputContainer, stream: VideoStream) -> Rated:
    """`facts` with rate and `rate_mode` as the samples show, and `more["rate"]` with what they show.

    Without two pictures to compare, nothing is proved: `rate_mode` is then None, and the rate what the
    header says. The average of a stream that claims to vary, and can't be examined, stays "variable".
    """
    hint = facts_rate(facts) or _average(stream)
    base = Fraction(stream.time_base or 0)
    if hint is not None and hint * base == 1 and facts.container in _COUNTING:
        count = facts.frames or stream.frames or 0
        counted = Spacing(count, True, hint, hint, hint, hint, Fraction(0), 1)
        return Rated(_with_spacing(facts, counted, "picture count", whole=True))
    found = _table(stream) or _read_stamps(source, stream)
    spacing: Spacing | None = None
    if found is not None and base > 0:
        known = (found.pictures, found.length) if found.whole else (None, None)
        spacing = measure(found.ticks, base, pictures=known[0], length=known[1], hint=hint)
    if found is None or spacing is None:
        return Rated(_unproved(facts, hint))
    changed = _with_spacing(facts, spacing, found.proof, whole=found.whole)
    pictures = found.pictures if found.whole else None
    if not spacing.is_constant:
        return Rated(changed, (_varies(spacing, found.whole),), pictures)
    stated = facts_rate(facts)
    if stated is None or stated == spacing.exact or keeps(found.ticks, base, stated):
        return Rated(changed, (), pictures)
    if spacing.rate == 2 * stated:  # each field of an interlaced picture has a stamp of its own
        return Rated(changed)
    return Rated(changed, (_differs(stated, spacing),))


def _average(stream: VideoStream) -> Fraction | None:
    """FFmpeg's average, which is the nearest fraction of small terms: the rate in use that it stands for."""
    if not stream.average_rate or not 0 < stream.average_rate <= MAX_RATE:
        return None
    average = Fraction(stream.average_rate)
    return next((rate for rate in USUAL_RATES if abs(average - rate) * _AS_NEAR <= rate), average)


def _table(stream: VideoStream) -> Stamps | None:
    """The sample table, if the file has a whole one: as many entries as it says that it has samples."""
    entries, count = stream.index_entries, stream.frames
    if count < 2 or len(entries) != count:
        return None
    read = min(count, MOST_SAMPLES)
    kept = [entry.timestamp for entry in (entries[index] for index in range(read)) if not entry.is_discard]
    ticks = tuple(sorted(tick for tick in kept if abs(tick) < LARGEST))
    told = stream.duration if len(ticks) == count else None  # samples that are not shown are counted in it
    length = told if told and 0 < told < LARGEST else None
    return Stamps(ticks, len(ticks), length, read == count, "sample table")


def _read_stamps(source: InputContainer, stream: VideoStream) -> Stamps | None:
    """The stamps of the pictures from the beginning on, within limits. None: some picture has no stamp."""
    deadline = time.monotonic() + MOST_SECONDS
    shown: list[int] = []
    decoded: int | None = None
    latest: int | None = None
    size, whole, last_length = 0, True, 0
    try:
        for packet in packets_of(source, stream):
            if packet.size == 0 or packet.is_discard:
                continue
            if packet.pts is None or abs(packet.pts) >= LARGEST:
                return None
            if decoded is not None and packet.dts is not None and packet.dts < decoded:
                whole = False  # the clock begins anew: streams were joined, and this one ends here
                break
            if latest is None or packet.pts >= latest:
                latest, last_length = packet.pts, packet.duration or 0
            shown.append(packet.pts)
            decoded = packet.dts if packet.dts is not None else decoded
            size += packet.size
            if len(shown) >= MOST_PACKETS or size >= MOST_BYTES or time.monotonic() > deadline:
                whole = False
                break
    except av.FFmpegError:
        whole = False
    if not shown:
        return None
    shown.sort()
    # What is shown before the last decoding time is all there: a file may end, or we stop, between
    # pictures that are stored out of order.
    settled = tuple(stamp for stamp in shown if decoded is None or stamp <= decoded)
    ticks = settled if len(settled) > 2 else tuple(shown)
    length = shown[-1] + last_length - shown[0] if last_length else None
    return Stamps(ticks, len(shown), length, whole, "time stamps")


def _unproved(facts: Facts, hint: Fraction | None) -> Facts:
    mode = "variable" if facts.rate_mode == "variable" and facts.frames != 1 else None
    found: dict[str, Any] = {"rate_mode": mode}
    if facts_rate(facts) is None and hint is not None:
        rate = fit_terms(hint)
        found |= {"rate_num": rate.numerator, "rate_den": rate.denominator}
    return dataclasses.replace(facts, **found)


def _with_spacing(facts: Facts, spacing: Spacing, proof: str, *, whole: bool) -> Facts:
    more = {**facts.more, "rate": {**spacing.to_json(), "proof": proof, "whole": whole}}
    if spacing.is_constant:
        rate = facts_rate(facts) or spacing.rate
        changes: dict[str, Any] = {"rate_mode": "constant"}
    else:
        rate, stated = spacing.actual, facts_rate(facts)
        # A count of frames at a rate that the pictures do not keep would be a guess.
        changes = {"rate_mode": "variable", "start_frame": None}
        if stated is not None:
            more["rate"]["stated"] = str(stated)
    changes |= {"rate_num": rate.numerator, "rate_den": rate.denominator, "more": more}
    return dataclasses.replace(facts, **changes)


def _varies(spacing: Spacing, whole: bool) -> Noticed:
    share = f"{float(spacing.off_nominal):.1%}".replace("%", " %")
    said = f"{float(spacing.minimum):.3f} to {float(spacing.maximum):.3f}; {share} of the pictures stray"
    part = "" if whole else f" (of the first {spacing.pictures} pictures)"
    return Noticed(
        "rate-variable",
        WARNING,
        f"The frame rate varies{part}: {float(spacing.actual):.3f} frames a second on average, {said}. "
        "An editor needs a constant-rate copy; keep this file.",
        value=round(float(spacing.actual), 6),
        unit="fps",
        rule="Pictures of one take are equally far apart, to within one tick of the file's clock.",
    )


def _differs(stated: Fraction, spacing: Spacing) -> Noticed:
    return Noticed(
        "rate-conflict",
        WARNING,
        f"The header says {stated} frames a second, but the pictures are stamped {spacing.rate} a second; "
        f"{stated} is used.",
        value=round(float(spacing.rate), 6),
        unit="fps",
        rule="A file's stated rate is that of its pictures.",
    )
