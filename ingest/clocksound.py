"""What two recordings that hear the same say of their clocks: how far the camera's is from the recorder's.

Pure. The witness is the sound itself: where one recording stands in the other is measured to the sample, and
what their stamps claim is held against it. Which of the two clocks is wrong, the sound can't tell.
"""

from __future__ import annotations

import datetime as dt
import statistics
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

from ingest.clockcheck import Take, is_quarter, name_device
from ingest.media.facts import NOTE, WARNING, Noticed
from shared.clock_words import tell_span
from shared.when import QUARTER, SLACK


@dataclass(frozen=True, slots=True)
class Heard:
    """A picture and a sound that match. `offset`: true seconds from the sound's start to the picture's."""

    picture: Take
    sound: Take
    offset: Fraction

    @property
    def ahead(self) -> Fraction:
        """Seconds by which the picture's clock is ahead of the sound's."""
        assert self.picture.at is not None and self.sound.at is not None, "stamped takes only"
        claimed = Fraction((self.picture.at - self.sound.at) // dt.timedelta(microseconds=1), 10**6)
        return claimed - self.offset


def check_by_sound(heard: Sequence[Heard]) -> Iterator[tuple[int, Noticed]]:
    """Clocks that the sound proves to differ, once for each reel of pictures and each recorder."""
    groups: dict[tuple[str, str], list[Heard]] = defaultdict(list)
    for one in heard:
        if one.picture.stamped and one.sound.stamped:
            groups[one.picture.reel, name_device(one.sound)].append(one)
    for (_, recorder), group in sorted(groups.items()):
        ahead = statistics.median_low([one.ahead for one in group])
        agreeing = [one for one in group if abs(one.ahead - ahead) <= SLACK]
        if abs(ahead) > SLACK and 2 * len(agreeing) > len(group):
            first = min((one.picture for one in agreeing), key=lambda take: (take.path, take.clip_id))
            yield first.clip_id, _tell(first, recorder, ahead, len(agreeing))


def _tell(take: Take, recorder: str, ahead: Fraction, count: int) -> Noticed:
    zone = is_quarter(ahead)
    quarters = round(ahead / QUARTER)
    span = tell_span(dt.timedelta(seconds=quarters * QUARTER if zone else round(ahead))).lstrip("+−")
    where = "ahead of" if ahead > 0 else "behind"
    said = f"By what both hear, the clock of {name_device(take)} is {span} {where} that of {recorder}, in "
    said += f"{count} pair{'s' if count != 1 else ''}. "
    if zone:
        said += "One of the two is in another zone. The sound can't tell which is wrong: see rushlight clock."
        rule = "Two clocks of one place show one time; a multiple of 15 min is a zone."
        return Noticed("clock-zone", WARNING, said, quarters * 15, "min", rule)
    said += "One of the two was set by eye or has drifted. The sound can't tell which: see rushlight clock."
    rule = f"Two clocks of one place show one time, to {SLACK} s."
    return Noticed("clock-seconds", NOTE, said, round(float(ahead), 1), "s", rule)
