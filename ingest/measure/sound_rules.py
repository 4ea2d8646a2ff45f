"""From the numbers of a sound pass to findings: what is wrong, where, by which rule, and what to do. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

from ingest.measure.sound_level import share_below
from ingest.measure.sound_numbers import Channel, Lines, Pair, SoundMeasured, Span, Spans, Timing
from ingest.measure.sound_rate import mistaken_rate
from ingest.media.facts import FAULT, NOTE, WARNING, Noticed
from shared.finding_limits import SoundLimits

CODES = frozenset(
    (
        *("sound-digital-zero", "sound-zero-stretch", "sound-no-signal", "sound-lost", "sound-offset"),
        *("sound-dual-mono", "sound-safety-track", "sound-polarity", "sound-clipped", "sound-true-peak"),
        *("sound-low", "sound-hum", "sound-wind", "sound-handling", "sound-dropout", "sound-rate"),
        *("sound-rate-mistaken", "sound-gap", "sound-unmeasured"),
    )
)
_MOST_PLACES = 5  # findings of one kind on one channel; the message gives the whole number


@dataclass(frozen=True, slots=True)
class SoundFinding:
    """`channel` counts from 1; `first`, `last` are seconds of the file. None: of the whole clip."""

    code: str
    severity: str
    message: str
    remedy: str
    rule: str
    value: float | None = None
    unit: str = ""
    channel: int | None = None
    first: float | None = None
    last: float | None = None

    def noticed(self) -> Noticed:
        """As the columns of a finding; the remedy is the end of its message."""
        said = f"{self.message} {self.remedy}"
        return Noticed(self.code, self.severity, said, self.value, self.unit, self.rule)

    def frames(self, per_second: Fraction) -> tuple[int, int] | None:
        """First frame, and the one after the last, at `per_second` frames; None: of the whole clip."""
        if self.first is None or self.last is None:
            return None
        first = max(0, math.floor(Fraction(self.first) * per_second))
        return first, max(first + 1, math.ceil(Fraction(self.last) * per_second))


def find_in_sound(measured: SoundMeasured, limits: SoundLimits | None = None) -> list[SoundFinding]:
    """Everything that the numbers say is wrong, or worth knowing. Channels that carry nothing get no more."""
    limits = SoundLimits() if limits is None else limits
    found = list(_of_file(measured, limits))
    dead = {one.number for one in measured.channels if any(_nothing(one, limits))}
    for channel in measured.channels:
        checks = _NOTHING if channel.number in dead else _SOMETHING
        found += [finding for check in checks for finding in check(channel, limits)]
    for pair in measured.pairs:
        if not {pair.one, pair.other} & dead:
            found += _pair(pair, limits)
    return found


def _of_file(measured: SoundMeasured, limits: SoundLimits) -> Iterator[SoundFinding]:
    if measured.problem is not None:
        yield SoundFinding(
            *("sound-unmeasured", WARNING, measured.problem),
            "Listen to the clip, and check its copy.",
            "All sound of a clip can be measured.",
            float(measured.errors),
            "packets",
        )
    for timing in measured.timing:
        yield from _timing(timing, measured, limits)


def _timing(timing: Timing, measured: SoundMeasured, limits: SoundLimits) -> Iterator[SoundFinding]:
    which = "Sound" if len(measured.timing) == 1 else f"Sound track {timing.track + 1}"
    wanted, stated = f"{limits.rate / 1000:g} kHz", f"{timing.rate / 1000:g} kHz"
    taken = mistaken_rate(timing, timing.stamped) or mistaken_rate(timing, measured.picture_seconds)
    if taken is not None:
        yield SoundFinding(
            *("sound-rate-mistaken", FAULT),
            f"{which} says {stated}, but was taken at {taken / 1000:g} kHz: it runs off the picture, and its "
            f"pitch is {abs(12 * math.log2(timing.rate / taken)):.1f} semitones off.",
            f"Read it as {taken / 1000:g} kHz before cutting, and check the menu of the recorder.",
            "Sound and picture of a clip last equally long.",
            float(taken),
            "Hz",
        )
    if timing.rate != limits.rate:
        yield SoundFinding(
            *("sound-rate", WARNING, f"{which} is recorded at {stated}, not {wanted}."),
            f"Convert it before cutting, and set the recorder to {wanted}.",
            f"Sound for pictures is {wanted} (AES5).",
            float(timing.rate),
            "Hz",
        )
    if timing.gaps:
        holes = "1 hole" if timing.gaps == 1 else f"{timing.gaps} holes"
        yield SoundFinding(
            *("sound-gap", WARNING, f"{which} has {holes}, {timing.gap_seconds:.2f} s in all."),
            "Listen there; if words are lost, take it again, and try another card.",
            "The time stamps of a recording follow on each other.",
            float(timing.gaps),
            "holes",
        )


def _nothing(channel: Channel, limits: SoundLimits) -> Iterator[SoundFinding]:
    name, number = f"Channel {channel.number + 1}", channel.number + 1
    silent = share_below(channel.levels, limits.silent_db)
    if channel.zeros.share >= limits.zero_share:
        yield SoundFinding(
            *("sound-digital-zero", FAULT, f"{name} holds digital silence: nothing was recorded to it."),
            "If a microphone belongs there, check which input this channel records, and take it again.",
            f"At most {limits.zero_share:.1%} of a channel's samples are exactly zero.",
            *(round(100 * channel.zeros.share, 2), "%", number),
        )
    elif silent >= limits.silent_share:
        yield SoundFinding(
            "sound-no-signal",
            FAULT,
            f"{name} has no signal: {silent:.0%} of the time it is under {limits.silent_db:.0f} dBFS, the "
            "noise of an input with nothing in it.",
            "Check the plug, phantom power and the transmitter's mute, and take it again.",
            f"A channel is above {limits.silent_db:.0f} dBFS for {1 - limits.silent_share:.0%} of the time.",
            *(round(100 * silent, 1), "%", number),
        )


def _stretches(channel: Channel, limits: SoundLimits) -> Iterator[SoundFinding]:
    """Parts without sound of a channel that has some elsewhere."""
    long = [run for run in channel.zeros.runs.kept if run.last - run.first >= limits.zero_seconds]
    for run in _longest(long):
        yield SoundFinding(
            "sound-zero-stretch",
            WARNING,
            f"Channel {channel.number + 1} is digitally silent for {run.last - run.first:.1f} s.",
            "Was it muted, or did the recorder stop? Listen to what comes before and after.",
            f"No microphone gives exact zeros for {limits.zero_seconds:g} s.",
            *(round(run.last - run.first, 2), "s", channel.number + 1, run.first, run.last),
        )
    quiet = [level <= limits.lost_db for level in channel.rms_curve]
    usual = sorted(channel.rms_curve)[len(channel.rms_curve) // 2] if quiet else limits.lost_db
    if usual < limits.lost_from_db:
        return
    lost = _runs(quiet, channel.curve_seconds, channel.start, limits.lost_seconds)
    for run in _longest([one for one in lost if not any(_within(one, zero) for zero in long)]):
        yield SoundFinding(
            "sound-lost",
            WARNING,
            f"Channel {channel.number + 1} has no signal for {run.last - run.first:.0f} s.",
            "Check the transmitter's battery and the cable; take again what was said meanwhile.",
            f"A channel in use is not under {limits.lost_db:.0f} dBFS for {limits.lost_seconds:g} s.",
            *(round(run.last - run.first, 1), "s", channel.number + 1, run.first, run.last),
        )


def _level(channel: Channel, limits: SoundLimits) -> Iterator[SoundFinding]:
    number = channel.number + 1
    if abs(channel.levels.dc) >= limits.offset:
        yield SoundFinding(
            "sound-offset",
            WARNING,
            f"Channel {number} stands {channel.levels.dc:+.1%} off its middle.",
            "A high-pass filter takes it out; have the input looked at.",
            f"The mean of a channel is within {limits.offset:.0%} of full scale.",
            *(round(100 * channel.levels.dc, 2), "% of full scale", number),
        )
    peak = channel.true_peak.dbtp
    if peak > limits.true_peak_dbtp and channel.clipping.tops.count < limits.flat_tops:
        yield SoundFinding(
            "sound-true-peak",
            NOTE,
            f"Channel {number} peaks at {peak:+.1f} dBTP: nothing is left in hand.",
            "Listen for distortion there, and record with more headroom: dialogue peaks at -12 to -6 dBFS.",
            f"True peak is at most {limits.true_peak_dbtp:g} dBTP (EBU R 128, ITU-R BS.1770).",
            *(peak, "dBTP", number, channel.true_peak.second, channel.true_peak.second),
        )
    if channel.speech.share >= limits.speech_share and channel.levels.peak_db < limits.speech_peak_db:
        yield SoundFinding(
            "sound-low",
            NOTE,
            f"Channel {number} holds speech that peaks at only {channel.levels.peak_db:.0f} dBFS.",
            "Raise the gain: lifting it later lifts the noise as well.",
            f"Speech peaks above {limits.speech_peak_db:.0f} dBFS.",
            *(channel.levels.peak_db, "dBFS", number),
        )


def _clipping(channel: Channel, limits: SoundLimits) -> Iterator[SoundFinding]:
    tops = channel.clipping.tops
    if tops.count < limits.flat_tops:
        return
    minute = tops.count / max(channel.seconds, 1.0) * 60
    for span in _longest(tops.kept):
        full = span.level > -0.1
        where = "at full scale" if full else f"at {span.level:.1f} dBFS, below full scale"
        yield SoundFinding(
            "sound-clipped",
            FAULT if minute >= limits.flat_tops_bad else WARNING,
            f"Channel {channel.number + 1} is clipped {where}; flat tops in the clip: {tops.count}.",
            "Listen, and use the safety track or another microphone here; lower the gain and take it again."
            if full
            else "The microphone overloads its input: lower the gain at the transmitter or preamplifier, not "
            "the recorder's level, and take it again.",
            f"Fewer than {limits.flat_tops} peaks are flat for three samples or more at the largest value.",
            *(float(tops.count), "flat tops", channel.number + 1, span.first, span.last),
        )


def _hum(channel: Channel, limits: SoundLimits) -> Iterator[SoundFinding]:
    best = max(channel.hum, key=lambda lines: len(_standing(lines, limits)), default=None)
    if best is None or best.level_db < limits.hum_level_db:
        return
    lines = _standing(best, limits)
    if len(lines) < limits.hum_lines:
        return
    hertz = ", ".join(str(best.hertz * one) for one in lines[:5])
    yield SoundFinding(
        "sound-hum",
        WARNING if best.level_db >= limits.hum_bad_db else NOTE,
        f"Channel {channel.number + 1} hums with the mains at {best.level_db:.0f} dBFS: {hertz} Hz.",
        "Move cables away from mains and chargers, or lift the ground; narrow filters there help later.",
        f"Fewer than {limits.hum_lines} multiples of {best.hertz} Hz stand {limits.hum_prominence_db:.0f} dB "
        "above their neighbourhood for half the time.",
        *(best.level_db, "dBFS", channel.number + 1),
    )


def _wind(channel: Channel, limits: SoundLimits) -> Iterator[SoundFinding]:
    wind, number = channel.wind, channel.number + 1
    gusting = [
        share >= limits.wind_share and level >= limits.wind_level_db and jitter >= limits.wind_jitter_db
        for share, level, jitter in zip(wind.share, wind.level, wind.jitter, strict=True)
    ]
    each = channel.seconds / len(gusting) if gusting else 1.0
    for run in _longest(_runs(_joined(gusting), each, channel.start, limits.wind_seconds)):
        share = sum(gusting) / len(gusting)
        yield SoundFinding(
            "sound-wind",
            WARNING,
            f"Channel {number} has wind in it, {share:.0%} of the time.",
            "Put a wind shield on and turn the microphone out of the wind; a low cut at 80 Hz helps later.",
            f"Under {limits.wind_share} % of the energy lies below 80 Hz, or it is steady or faint.",
            *(round(100 * share, 1), "% of time", number, run.first, run.last),
        )
    if wind.bumps.count >= limits.thuds:
        for span in _longest(wind.bumps.kept):
            yield SoundFinding(
                "sound-handling",
                NOTE,
                f"Channel {number} has {wind.bumps.count} thuds, as of a hand on the microphone.",
                "Listen whether a word is hit; hold the cable, use the shock mount.",
                f"Fewer than {limits.thuds} sudden jumps of the level below 80 Hz.",
                *(float(wind.bumps.count), "thuds", number, span.first, span.last),
            )


def _dropouts(channel: Channel, limits: SoundLimits) -> Iterator[SoundFinding]:
    found = channel.dropouts
    if found.count < limits.dropouts:
        return
    times = "once" if found.count == 1 else f"{found.count} times"
    for span in _longest(found.kept):
        yield SoundFinding(
            "sound-dropout",
            WARNING,
            f"Channel {channel.number + 1} drops out {times}, here for "
            f"{1000 * (span.last - span.first):.0f} ms.",
            "Move the radio link closer, or the cable; if a word is lost, take it again.",
            "Sound does not fall by 40 dB and come back within milliseconds.",
            *(float(found.count), "dropouts", channel.number + 1, span.first, span.last),
        )


def _pair(pair: Pair, limits: SoundLimits) -> Iterator[SoundFinding]:
    one, other = pair.one + 1, pair.other + 1
    if pair.seconds < limits.pair_seconds or pair.residual_db > limits.follows_residual_db:
        return
    if pair.inverted:
        yield SoundFinding(
            *("sound-polarity", WARNING, f"Channels {one} and {other} are the same with opposite polarity."),
            f"Reverse the polarity of channel {other} before they are mixed: together they cancel.",
            "Two channels of one sound have one polarity.",
            *(pair.residual_db, "dB", other),
        )
    elif pair.residual_db <= limits.same_residual_db and abs(pair.gain_db) <= limits.same_gain_db:
        yield SoundFinding(
            *("sound-dual-mono", NOTE, f"Channels {one} and {other} hold the same sound."),
            "One of them is enough; use it as mono. If two microphones were meant, check the routing.",
            f"Two channels differ by more than {limits.same_residual_db:.0f} dB.",
            *(pair.residual_db, "dB", other),
        )
    elif limits.safety_least_db <= abs(pair.gain_db) <= limits.safety_most_db:
        low, high = (other, one) if pair.gain_db < 0 else (one, other)
        yield SoundFinding(
            "sound-safety-track",
            NOTE,
            f"Channel {low} is channel {high}, {abs(pair.gain_db):.0f} dB lower: a safety track.",
            f"Use it where channel {high} is clipped.",
            f"A copy {limits.safety_least_db:g} to {limits.safety_most_db:g} dB lower is a safety track.",
            *(pair.gain_db, "dB", low),
        )


_Check = Callable[[Channel, SoundLimits], Iterator[SoundFinding]]
_NOTHING: tuple[_Check, ...] = (_nothing,)
_SOMETHING: tuple[_Check, ...] = (_stretches, _level, _clipping, _hum, _wind, _dropouts)


def _standing(lines: Lines, limits: SoundLimits) -> list[int]:
    """Numbers of the harmonics that stand out, without the one at 300 Hz, which both mains have."""
    return [
        number
        for number, prominence in enumerate(lines.prominence, 1)
        if prominence >= limits.hum_prominence_db and number * lines.hertz % 300
    ]


def _longest(spans: Sequence[Span] | Spans) -> list[Span]:
    kept = spans.kept if isinstance(spans, Spans) else spans
    return sorted(sorted(kept, key=lambda span: span.first - span.last)[:_MOST_PLACES], key=lambda s: s.first)


def _runs(flags: Sequence[bool], each: float, start: float, least: float) -> list[Span]:
    """Stretches of points, `each` seconds long, that are all true and last `least` seconds or more."""
    runs, since = [], None
    for index, flag in enumerate([*flags, False]):
        if flag and since is None:
            since = index
        elif not flag and since is not None:
            if (index - since) * each >= least:
                runs.append(Span(round(start + since * each, 3), round(start + index * each, 3), 0.0))
            since = None
    return runs


def _joined(flags: Sequence[bool]) -> list[bool]:
    """A single point between two that are true is true: a gust takes a breath."""
    return [
        flag or (0 < i < len(flags) - 1 and flags[i - 1] and flags[i + 1]) for i, flag in enumerate(flags)
    ]


def _within(one: Span, other: Span) -> bool:
    return one.first < other.last and other.first < one.last
