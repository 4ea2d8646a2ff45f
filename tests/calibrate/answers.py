"""What was suggested of clips whose truth is known, and the tables that say how often it was right."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Answer:
    """The truth (None: nothing should be suggested) and what was suggested."""

    case: str
    wanted: str | None
    given: str | None


def table(answers: Sequence[Answer]) -> str:
    """One line a case: how many were right, wrong, or not suggested."""
    lines = [f"{'case':28}{'clips':>6}{'right':>7}{'none':>6}{'wrong':>7}  wrong ones"]
    for case in dict.fromkeys(one.case for one in answers):
        some = [one for one in answers if one.case == case]
        right = sum(one.given == one.wanted for one in some)
        none = sum(one.given is None and one.wanted is not None for one in some)
        wrong = Counter(one.given for one in some if one.given is not None and one.given != one.wanted)
        said = ", ".join(f"{value} {count}" for value, count in wrong.items())
        lines.append(f"{case:28}{len(some):6}{right:7}{none:6}{sum(wrong.values()):7}  {said}".rstrip())
    given = [one for one in answers if one.given is not None]
    right = sum(one.given == one.wanted for one in given)
    wanted = sum(one.wanted is not None for one in answers)
    lines.append(
        f"of {len(answers)} clips: {len(given)} suggestions, {right / max(1, len(given)):.1%} of them right; "
        f"{right / max(1, wanted):.1%} of what there was to suggest"
    )
    return "\n".join(lines)
