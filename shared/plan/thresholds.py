"""The numbers that the plan's rules judge by. All are common practice, no source, unless said otherwise.

A production may have its own (`rushlight thresholds`); whole numbers in the unit that stands beside each.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from shared.errors import UsageError
from shared.words import show_short

PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class ThresholdRule:
    name: str
    value: int
    unit: str
    help: str
    least: int = 0
    most: int = 100_000


_ALL = (
    ThresholdRule(
        "pace", 150, "words/min", "How fast the narrator speaks, unless recorded lines tell.", 40, 400
    ),
    ThresholdRule("shot-seconds", 4, "s", "Mean length of a shot under narration.", 1, 600),
    ThresholdRule(
        "footage-percent", 250, "%", "Usable footage wanted for a narration line, of its length.", 100
    ),
    ThresholdRule("wish-seconds", 6, "s", "Usable seconds of a wanted shot that says none.", 1, 3600),
    ThresholdRule("still-seconds", 6, "s", "How long a photograph can be held in the film.", 1, 600),
    ThresholdRule("scene-clips", 3, "clips", "Clips of a beat from which it is judged as a scene.", 1, 1000),
    ThresholdRule("tone-seconds", 30, "s", "Room tone wanted of each place with an interview.", 1, 3600),
    ThresholdRule("cutaway-seconds", 10, "s", "Cutaways wanted beside an interview.", 0, 3600),
    ThresholdRule("interview-sizes", 2, "sizes", "Shot sizes or angles wanted of an interview.", 1, 10),
    ThresholdRule(
        "height-percent", 80, "%", "Share of one camera height from which a person is pointed out.", 1, 100
    ),
    ThresholdRule(
        "height-seconds", 10, "s", "Least footage of a person before heights are compared.", 0, 3600
    ),
    ThresholdRule(
        "direction-clips", 4, "clips", "Clips of a beat from which one direction alone is odd.", 2, 1000
    ),
    ThresholdRule("flagged-percent", 50, "%", "Flagged share from which a take counts as damaged.", 1, 100),
    ThresholdRule("suggest-percent", 40, "%", "Likeness from which a clip is suggested for a wish.", 1, 100),
    ThresholdRule("likely-percent", 51, "%", "Likeness from which a suggestion is likely.", 1, 100),
    ThresholdRule("unrated-counts", 1, "0 or 1", "Whether footage that nobody rated counts as usable.", 0, 1),
    ThresholdRule("copies", 2, "copies", "Verified copies, at as many destinations, of every file.", 1, 10),
    ThresholdRule(
        "copy-megabytes", 90, "MB/s", "Speed of a copy; reading it back takes as long again.", 1, 10_000
    ),
    ThresholdRule("same-kind-seconds", 120, "s", "One kind of item on end before it is long.", 5, 36_000),
    ThresholdRule("same-speaker-seconds", 90, "s", "One speaker on end before it is long.", 5, 36_000),
    ThresholdRule("long-cut-seconds", 20, "s", "One picture without a cut before it is long.", 1, 36_000),
    ThresholdRule("same-pace-cuts", 8, "cuts", "Cuts of nearly one length before the pace is flat.", 3, 1000),
    ThresholdRule("same-pace-percent", 25, "%", "How far cuts of nearly one length may differ.", 1, 100),
    ThresholdRule("same-music-seconds", 120, "s", "Music on end before it is long.", 5, 36_000),
    ThresholdRule("same-level-seconds", 60, "s", "Sound of one level on end before it is flat.", 5, 36_000),
    ThresholdRule("same-level-db", 6, "dB", "Between what the level may lie and still be one level.", 1, 60),
    ThresholdRule("shot-minutes", 10, "min", "Time to take one wanted shot.", 1, 600),
    ThresholdRule("interview-minutes", 30, "min", "Time to take an interview again.", 1, 600),
    ThresholdRule("release-minutes", 5, "min", "Time to have a release signed.", 1, 600),
    ThresholdRule("tone-minutes", 2, "min", "Time to take room tone.", 1, 600),
    ThresholdRule("log-minutes", 1, "min", "Time to log or look at one clip.", 1, 600),
)
RULES: Mapping[str, ThresholdRule] = MappingProxyType({rule.name: rule for rule in _ALL})


@dataclass(frozen=True, slots=True)
class Thresholds:
    """The numbers in force. `own`: those that the production set itself."""

    own: Mapping[str, int]

    def __getitem__(self, name: str) -> int:
        return self.own.get(name, RULES[name].value)


def check_threshold(name: str, value: int) -> int:
    """The value. Raises UsageError for an unknown name or a value out of range."""
    rule = RULES.get(name)
    if rule is None:
        near = difflib.get_close_matches(name[:60], RULES, n=1)
        raise UsageError(
            f"there is no threshold {show_short(name)}; there are: {', '.join(RULES)}",
            remedy=f"Did you mean {near[0]}?" if near else "Choose one of these.",
        )
    if not rule.least <= value <= rule.most:
        raise UsageError(
            f"{name} must be {rule.least} to {rule.most} ({rule.unit}); {value} is not",
            remedy=f"Without a value of its own it is {rule.value}.",
        )
    return value
