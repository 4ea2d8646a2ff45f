"""Pictures and sounds that ran at the same time: exact at the edges, and found among thousands."""

from __future__ import annotations

import datetime as dt
import random
from fractions import Fraction

from ingest.sound.pairing import Candidate, Span, pair_up

START = dt.datetime(2026, 5, 12, 8, 0, tzinfo=dt.UTC)


def span(clip_id: int, at: float, seconds: Fraction | int) -> Span:
    return Span(clip_id, START + dt.timedelta(seconds=at), Fraction(seconds))


def ids(found: list[Candidate]) -> list[tuple[int, int]]:
    return [(one.picture.clip_id, one.sound.clip_id) for one in found]


def test_a_pair_says_how_long_both_ran_and_what_the_clocks_claim() -> None:
    (found,) = pair_up([span(1, 10.5, 60)], [span(2, 0.25, 30)])
    assert (found.overlap, found.offset) == (Fraction(79, 4), Fraction(41, 4))


def test_lengths_are_exact() -> None:
    """1001/24000 of a second more or less is told apart."""
    length = Fraction(100 * 1001, 24_000)  # 4.1708 s
    assert pair_up([span(1, 0, length)], [span(2, 4.1708, 10)]) != []
    assert pair_up([span(1, 0, length)], [span(2, 4.18, 10)]) == []


def test_what_only_touches_does_not_overlap() -> None:
    assert pair_up([span(1, 0, 10)], [span(2, 10, 10), span(3, -10, 10)]) == []


def test_a_tolerance_lets_a_wrong_clock_in_the_nearest_first() -> None:
    sounds = [span(2, 90, 10), span(3, -50, 10), span(4, 5, 1), span(5, 200, 10)]
    found = pair_up([span(1, 0, 10)], sounds, Fraction(100))
    assert ids(found) == [(1, 4), (1, 3), (1, 2)]
    assert [one.overlap for one in found] == [1, -40, -80]


def test_one_picture_may_have_several_sounds_and_the_other_way_round() -> None:
    pictures, sounds = [span(1, 0, 100), span(2, 100, 100)], [span(3, 0, 50), span(4, 50, 100)]
    assert ids(pair_up(pictures, sounds)) == [(1, 3), (1, 4), (2, 4)]


def test_the_search_misses_none_of_thousands() -> None:
    rng = random.Random(3)
    pictures = [span(n, rng.uniform(0, 20_000), rng.randint(1, 90)) for n in range(200)]
    sounds = [span(1000 + n, rng.uniform(0, 20_000), rng.choice((5, 60, 3600))) for n in range(200)]
    for tolerance in (0, 30):
        expected = {
            (p.clip_id, s.clip_id)
            for p in pictures
            for s in sounds
            if min(_end(p), _end(s)) - max(p.start, s.start) > -dt.timedelta(seconds=tolerance)
        }
        found = ids(pair_up(pictures, sounds, Fraction(tolerance)))
        assert len(found) == len(set(found)) and set(found) == expected


def _end(one: Span) -> dt.datetime:
    return one.start + dt.timedelta(seconds=int(one.seconds))
