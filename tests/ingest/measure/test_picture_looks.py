"""Faces, colour bars and grey steps in single pictures; scores on made clips are `make calibrate`'s."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from ingest.measure.picture_faces import face_finder
from ingest.measure.picture_looks import FEWEST, MOST, Looking
from ingest.measure.picture_plane import Plane
from ingest.measure.picture_stripes import measure_stripes
from tests.calibrate.charts import colour_bars, grey_steps
from tests.calibrate.faces import FACE_ROWS, place_face
from tests.calibrate.photographs import CHOOSING, REPORTING, load
from tests.ingest.measure.test_picture_measures import cloudy

needs_faces = pytest.mark.skipif(face_finder() is None, reason="the extra `faces` is not installed")


@needs_faces
@pytest.mark.parametrize("share", [0.09, 0.2, 0.5])
def test_a_face_is_found_with_its_height(share: float) -> None:
    """On a photograph in the public domain, whose forehead and chin were marked by eye."""
    finder = face_finder()
    assert finder is not None
    (found,) = finder.find(place_face(cloudy(), share, np.random.default_rng(1)))
    assert (found.bottom - found.top) / 270 == pytest.approx(0.87 * share, rel=0.12)
    assert FACE_ROWS[0] < FACE_ROWS[1]


@needs_faces
def test_what_is_no_face_is_left_alone() -> None:
    finder = face_finder()
    assert finder is not None
    for name in (*CHOOSING, *REPORTING):
        assert finder.find(load(name)[:270, :480]) == ()


@pytest.mark.parametrize("standard", ["BT.709", "BT.601"])
@pytest.mark.parametrize(("share", "full"), [(0.75, False), (1.0, True)])
def test_colour_bars_are_told_by_the_standards_ladder(standard: str, share: float, full: bool) -> None:
    found = measure_stripes(colour_bars(standard, share, full))
    assert found.count >= 7 and found.departure < 0.01


def test_grey_steps_are_counted_and_are_no_bars() -> None:
    found = measure_stripes(grey_steps(10))
    assert found.count == 10 and found.departure > 0.02


@pytest.mark.parametrize("name", [*CHOOSING, *REPORTING])
def test_a_photograph_has_no_stripes(name: str) -> None:
    assert measure_stripes(load(name)[:270, :480]).count < 6


def looked_at(times: Sequence[float], seconds: float) -> list[float]:
    looking, plane = Looking(seconds, None), np.zeros((270, 480), np.float32)
    for time in times:
        looking.see(time, plane)
    return [one.time for one in looking.finish()]


def test_looks_are_spread_over_the_clip_and_bounded() -> None:
    assert looked_at([0.0], 1.0) == [0.0]
    assert looked_at([0.0, 2.0, 4.0], 6.0) == [0.0, 2.0, 4.0]
    assert len(looked_at([float(n) for n in range(0, 20, 2)], 20.0)) == FEWEST
    far = looked_at([2.0 * number for number in range(900)], 1800.0)
    assert len(far) == MOST and far[0] == pytest.approx(100, abs=1) and far[-1] == pytest.approx(1700, abs=1)


def test_without_the_extra_no_face_is_claimed() -> None:
    plane: Plane = cloudy()
    looking = Looking(4.0, None)
    looking.see(0.0, plane)
    assert [one.faces for one in looking.finish()] == [()]
