"""Keys that stand in order, with always one more between two: moving an item writes one row.

A key is a fraction below 1 in base 36, written without its "0." and without zeros at the end; two such texts
compare as the fractions do.
"""

from __future__ import annotations

_DIGITS = "0123456789abcdefghijklmnopqrstuvwxyz"
_BASE = len(_DIGITS)
_WIDTH = 6  # of keys at the end of a list: 36**4 steps fit before they grow
_STEP = _BASE**2


def key_between(before: str | None, after: str | None) -> str:
    """A key above `before` and below `after`; None is an end of the list. Raises ValueError unless
    `before` < `after`."""
    low, high = before or "", after
    if high is not None and not low < high:
        raise ValueError(f"{low!r} is not below {high!r}")
    if high is None and (at_end := _next_step(low)) is not None:
        return at_end
    width = max(len(low), len(high or ""))
    while True:
        width += 1
        first = _number(low, width)
        end = _number(high, width) if high is not None else _BASE**width
        if end - first > 1:
            return _text((first + end) // 2, width)


def _next_step(low: str) -> str | None:
    """A key a fixed step on, so that keys of items added one after another stay short."""
    value = _number(low[:_WIDTH], _WIDTH) // _STEP * _STEP + _STEP
    return _text(value, _WIDTH) if value < _BASE**_WIDTH else None


def _number(text: str, width: int) -> int:
    return int(text.ljust(width, "0"), _BASE) if text else 0


def _text(value: int, width: int) -> str:
    digits = []
    for _ in range(width):
        value, digit = divmod(value, _BASE)
        digits.append(_DIGITS[digit])
    return "".join(reversed(digits)).rstrip("0")
