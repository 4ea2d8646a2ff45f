"""The demo film's plan against its log, with the truth beside each wish: what is called missing or covered.

The rows are made from `sample_media/production.toml` without its media; the demo does the same with them.
"""

from __future__ import annotations

from pathlib import PurePath

import pytest
from sqlalchemy.orm import Session

from api.cli.demo_words import write_to_footage
from api.cli.demonstration import assignments_of
from sample_media.production import Production as Sample
from sample_media.production import load_plan, load_production
from shared.catalogue.log import apply_changes, find_one_clip, parse_assignments
from shared.catalogue.plan import list_wishes, put_answer
from shared.catalogue.plan_merge import merge_plan
from shared.catalogue.plan_values import find_wish
from shared.catalogue.releases import put_release, release_values
from shared.catalogue.rows import RowsEdit
from shared.catalogue.wrap import read_plan_state, read_wrap
from shared.models import AnswerState, ClipMedia, Production, Severity
from shared.plan.files import parse_plan
from shared.plan.wrap import WrapGroup
from shared.vocabulary import Vocabulary
from tests import factories as make

# By eye, from what was shot: "there" is usable, "gone" is not there or can't be used.
TRUTH = {
    "W1": "there", "W2": "there", "W3": "there", "W4": "there", "W5": "there", "W6": "gone", "W7": "there",
    "W8": "gone", "W9": "there", "W10": "gone", "W11": "there", "W12": "there",
    "W13": "there",
}  # fmt: skip


@pytest.fixture
def film(session: Session, vocabulary: Vocabulary) -> Production:
    sample = load_production()
    production = make.make_production(session, name=sample.name, zone=sample.zone)
    days = {
        day.number: make.make_day(session, production, number=day.number, date=day.date)
        for day in sample.days
    }
    cameras = {one.letter: make.make_camera(session, production, letter=one.letter) for one in sample.cameras}
    for lens in sample.lenses:
        make.make_lens(session, production, lens.name)
    reels = {
        card.reel: make.make_reel(
            session, production, name=card.reel, camera_id=cameras[card.camera].id, day_id=days[card.day].id
        )
        for card in sample.cards
    }
    for clip in sample.clips:
        sound = not clip.picture
        row = make.make_clip(
            session,
            reels[clip.reel],
            clip.files[0].name,
            frames=sum(file.length for file in clip.files) or None,
            media=ClipMedia.AUDIO if sound else ClipMedia.VIDEO,
            rate_num=48_000 if sound else 25,
            shot_at=clip.start.replace(tzinfo=sample.tz),
        )
        if clip.fault:
            make.make_finding(
                session, row, code="file-truncated", severity=Severity.FAULT, message="It broke off."
            )
        changes = parse_assignments(assignments_of(clip), vocabulary)
        apply_changes(session, production, [row.id], changes, vocabulary, "demo")
    plan = parse_plan(load_plan(), PurePath("plan.md"))
    merge_plan(session, production, plan, PurePath("plan.md"), vocabulary, "demo")
    _say(session, production, sample, vocabulary)
    return production


def _say(session: Session, production: Production, sample: Sample, vocabulary: Vocabulary) -> None:
    edit = RowsEdit(session, production, "demo", "answers and releases")
    for wish, clip in sample.answers:
        found = find_one_clip(session, production, clip)
        put_answer(
            edit, find_wish(session, production, wish), clip=found, moment=None, state=AnswerState.CONFIRMED
        )
    write_to_footage(edit, production, sample, vocabulary)
    for release in sample.releases:
        put_release(edit, None, release_values(session, production, release))
    edit.close()


def test_no_wish_of_the_film_is_called_missing_or_covered_wrongly(
    session: Session, film: Production, capsys: pytest.CaptureFixture[str]
) -> None:
    assert {wish.code for wish in list_wishes(session, film)} == set(TRUTH)
    states = {state.wish.code: state.status.value for state in read_plan_state(session, film).wishes}
    missing = [c for c, status in states.items() if status in ("missing", "damaged") and TRUTH[c] == "there"]
    covered = [c for c, status in states.items() if status in ("covered", "thin") and TRUTH[c] == "gone"]
    with capsys.disabled():
        print(f"\nThe Chain Ferry: {len(states)} wishes, false missing {missing}, false covered {covered}")
    assert (missing, covered) == ([], []), states
    assert (states["W6"], states["W8"], states["W10"]) == ("missing", "damaged", "missing")
    assert {states[code] for code in ("W1", "W3", "W4", "W9")} == {"covered"}


def test_the_wrap_of_its_second_day(session: Session, film: Production) -> None:
    report = read_wrap(session, film, 2)
    found = {(line.group, line.code, line.name.split()[0]) for line in report.lines}
    assert {
        (WrapGroup.NOW, "must-missing", "W6"),
        (WrapGroup.NOW, "room-tone", "Winch"),
        (WrapGroup.DAMAGED, "wish-damaged", "W8"),
    } <= found
    assert not [
        line for line in report.lines if line.name == "Jürgen Vasswell" and line.code == "release-missing"
    ]
    third = read_wrap(session, film, 3)
    assert "Ada Quillan" in {line.name for line in third.of(WrapGroup.NOW)}, "nobody asked her to sign"
