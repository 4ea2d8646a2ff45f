"""From numbers to rows: places in the clip's frames, rows that stay, and rows that go."""

from __future__ import annotations

import re
from fractions import Fraction
from pathlib import Path

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from ingest.findings import MEASURED_CODES, Draft, _frames, _Part, _settle
from shared.models import Finding, Production
from tests.factories import make_clip, make_reel


def test_the_guide_names_every_finding_and_no_other() -> None:
    guide = Path(__file__).parents[2] / "api" / "guide" / "findings.md"
    rows = re.findall(r"^\| `([a-z-]+)` \|", guide.read_text(encoding="utf-8"), re.MULTILINE)
    assert len(rows) == len(set(rows)) and set(rows) == MEASURED_CODES


@pytest.mark.parametrize(
    ("start", "end", "expected"),
    [
        (2.0, 4.0, (50, 100)),
        (2.01, 2.02, (50, 51)),
        (None, None, (None, None)),
        (0.0, 0.0, (0, 1)),
        (7.9, 30.0, (197, 200)),  # beyond the clip's end
    ],
)
def test_seconds_become_frames(
    start: float | None, end: float | None, expected: tuple[int | None, int | None]
) -> None:
    assert _frames(start, end, _Part(1, 0, Fraction(25), 200)) == expected


def test_the_second_file_of_a_clip_begins_where_the_first_ends() -> None:
    part = _Part(2, 1000, Fraction(30_000, 1001), 2000)
    assert _frames(1.0, 2.0, part) == (1029, 1060)


def draft(file_id: int, code: str, first: int | None = None, last: int | None = None, **more: int) -> Draft:
    return Draft(file_id, code, "warning", f"{code}.", 1.0, "s", "A rule.", more.get("channel"), first, last)


def rows_of(session: Session) -> list[tuple[str, int | None, int | None, str | None]]:
    session.flush()
    found = session.scalars(select(Finding).order_by(Finding.code, Finding.channel, Finding.in_frame))
    return [(row.code, row.channel, row.in_frame, row.dismissed) for row in found]


def test_a_row_stays_for_the_same_place_and_keeps_its_dismissal(
    session: Session, production: Production
) -> None:
    clip = make_clip(session, make_reel(session, production), "C0001.MOV", frames=500)
    file_id = clip.files[0].file_id
    first = [
        draft(file_id, "black", 10, 60),
        draft(file_id, "black", 200, 300),
        draft(file_id, "sound-clipped", 5, 9, channel=1),
        draft(file_id, "sound-clipped", 5, 9, channel=2),
    ]
    assert _settle(session, clip.id, first, []).added == 4
    session.flush()
    there = list(session.scalars(select(Finding).order_by(Finding.id)))
    there[1].dismissed, there[3].dismissed = "a fade", "a door"
    second = [draft(file_id, "black", 190, 280), draft(file_id, "sound-clipped", 6, 9, channel=1)]
    judged = _settle(session, clip.id, second, there)
    assert (judged.added, judged.kept, judged.removed) == (0, 2, 1)
    assert rows_of(session) == [
        ("black", None, 190, "a fade"),
        ("sound-clipped", 1, 6, None),
        ("sound-clipped", 2, 5, "a door"),  # holds no longer, but a person had a word on it
    ]


def test_another_place_is_another_finding(session: Session, production: Production) -> None:
    clip = make_clip(session, make_reel(session, production), "C0001.MOV", frames=500)
    file_id = clip.files[0].file_id
    _settle(session, clip.id, [draft(file_id, "black", 10, 60)], [])
    session.flush()
    there = list(session.scalars(select(Finding)))
    there[0].dismissed = "a fade"
    judged = _settle(session, clip.id, [draft(file_id, "black", 60, 90)], there)
    assert (judged.added, judged.kept, judged.removed) == (1, 0, 0)
    assert len(rows_of(session)) == 2
