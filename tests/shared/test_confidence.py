"""How sure a recogniser was of a cue: kept with it, gone once a person corrects it, back with an undo."""

from __future__ import annotations

import json
from typing import Any

import pytest
from sqlalchemy import select, update

from shared.catalogue.editing import find_edit, undo
from shared.catalogue.rows import RowsEdit
from shared.catalogue.transcript_edits import correct, join, move, name_speaker, split
from shared.catalogue.transcript_import import carry_out, plan_import
from shared.catalogue.transcript_log import carry, read_carried
from shared.catalogue.transcript_rows import CONFIDENCE
from shared.catalogue.transcripts import UNSURE, cues_of, is_unsure, transcripts_of
from shared.errors import UsageError
from shared.models import Change, ChangeSet, Clip
from tests.shared.shoot import Shoot

Pairs = list[tuple[float | None, float | None]]


@pytest.fixture
def clip(shoot: Shoot) -> Clip:
    return shoot.session.get_one(Clip, next(key for key, name in shoot.names.items() if name == "winch"))


def talk(*cues: list[object]) -> dict[str, Any]:
    """A cue of each list of confidences, two seconds apart; None: the word has none."""
    words = [
        {"word": f"word{number}", "start": 3 * at + number / 4, "end": 3 * at + number / 4 + 0.2}
        | ({} if value is None else {"confidence": value})
        for at, values in enumerate(cues)
        for number, value in enumerate(values)
    ]
    return {"words": words}


def take_in(shoot: Shoot, clip: Clip, words: dict[str, Any]) -> None:
    found = plan_import(shoot.session, clip, json.dumps(words).encode(), "heard.json")
    edit = RowsEdit(shoot.session, shoot.production, "ada", "heard")
    carry_out(edit, found)
    edit.close()


def sure(shoot: Shoot, clip: Clip) -> Pairs:
    shoot.session.expire_all()
    return [(cue.confidence_mean, cue.confidence_least) for cue in cues_of(shoot.session, clip.id)]


def edited(shoot: Shoot) -> RowsEdit:
    return RowsEdit(shoot.session, shoot.production, "ada", "edit")


def take_back(shoot: Shoot, number: int | None = None) -> None:
    edit = find_edit(shoot.session, shoot.production, "ada", number)
    undo(shoot.session, shoot.production, edit, shoot.vocabulary, "ada")


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ([0.5, 1, 0], (0.5, 0)),
        ([1, 0.25], (0.625, 0.25)),
        ([0.1, 0.2, 0.2], (0.1667, 0.1)),
        ([0.5, None], (None, None)),  # of some words only
        ([None], (None, None)),
        ([97], (None, None)),  # another program's percent, or whatever it is
        ([-0.1], (None, None)),
        ([True], (None, None)),
        (["0.5"], (None, None)),
    ],
)
def test_mean_and_least_of_the_words_are_kept(
    shoot: Shoot, clip: Clip, values: list[object], expected: tuple[float | None, float | None]
) -> None:
    take_in(shoot, clip, talk(values))
    assert sure(shoot, clip) == [expected]


def test_a_cue_below_the_limit_is_unsure(shoot: Shoot, clip: Clip) -> None:
    take_in(shoot, clip, talk([UNSURE, UNSURE], [UNSURE - 0.1], [None]))
    assert [is_unsure(cue) for cue in cues_of(shoot.session, clip.id)] == [False, True, False]


def test_a_correction_takes_it_away_and_an_undo_brings_it_back(shoot: Shoot, clip: Clip) -> None:
    take_in(shoot, clip, talk([0.4, 0.2], [0.9]))
    before = sure(shoot, clip)
    first = cues_of(shoot.session, clip.id)[0]
    for change in (
        lambda edit: correct(edit, first, first.text),  # the same words: nobody has corrected anything
        lambda edit: name_speaker(edit, [first], "Nell Marsh"),
        lambda edit: move(edit, first, 5, 20),
    ):
        edit = edited(shoot)
        change(edit)
        edit.close()
        assert sure(shoot, clip) == before, "who speaks and when says nothing of the words"
    edit = edited(shoot)
    correct(edit, first, "other words")
    edit.close()
    assert sure(shoot, clip) == [(None, None), (0.9, 0.9)]
    take_back(shoot)
    assert sure(shoot, clip) == before
    for _ in range(3):  # the move, the name, and all that was taken in
        take_back(shoot)
    assert sure(shoot, clip) == []


def test_parts_keep_it_and_what_is_joined_has_the_mean_of_its_words(shoot: Shoot, clip: Clip) -> None:
    take_in(shoot, clip, talk([0.4, 0.2, 0.6], [1]))
    edit = edited(shoot)
    split(edit, cues_of(shoot.session, clip.id)[0], 1)
    edit.close()
    assert sure(shoot, clip) == [(0.4, 0.2), (0.4, 0.2), (1, 1)]
    edit = edited(shoot)
    join(edit, cues_of(shoot.session, clip.id)[1])
    edit.close()
    assert sure(shoot, clip) == [(0.4, 0.2), (0.6, 0.2)]  # two words of 0.4 and one of 1
    take_back(shoot)
    take_back(shoot)
    assert sure(shoot, clip) == [(0.4, 0.2), (1, 1)]


def test_what_a_person_corrected_adds_nothing_to_a_join(shoot: Shoot, clip: Clip) -> None:
    take_in(shoot, clip, talk([0.4], [0.8]))
    edit = edited(shoot)
    first = cues_of(shoot.session, clip.id)[0]
    correct(edit, first, "certain")
    join(edit, first)
    edit.close()
    assert sure(shoot, clip) == [(0.8, 0.8)]


def test_a_journal_of_before_is_undone_all_the_same(shoot: Shoot, clip: Clip) -> None:
    """Edits that a program without these columns has written down know nothing of them."""
    take_in(shoot, clip, talk([None], [None]))
    edit = edited(shoot)
    join(edit, cues_of(shoot.session, clip.id)[0])
    edit.close()
    for change in shoot.session.scalars(select(Change).where(Change.kind == "cue")):
        for side in ("before", "after"):
            values = {k: v for k, v in (getattr(change, side) or {}).items() if k not in CONFIDENCE}
            if getattr(change, side) is not None:
                shoot.session.execute(update(Change).where(Change.id == change.id).values({side: values}))
    written = shoot.session.scalars(select(Change).where(Change.kind == "transcript")).all()
    assert all(not set(CONFIDENCE) & set(cue) for one in written for cue in (one.after or {})["cues"])
    shoot.session.expire_all()
    assert len(shoot.session.scalars(select(ChangeSet)).all()) >= 2
    take_back(shoot)
    assert sure(shoot, clip) == [(None, None)] * 2
    take_back(shoot)
    assert sure(shoot, clip) == []


def test_the_log_carries_it(shoot: Shoot, clip: Clip) -> None:
    take_in(shoot, clip, talk([0.4, 0], [None]))
    carried = carry(shoot.session, transcripts_of(shoot.session, clip.id)[0])
    said = json.loads(carried.text)
    assert [cue.get("confidence_mean") for cue in said["cues"]] == [0.2, None]
    assert said["cues"][0]["confidence_least"] == 0
    assert read_carried(said) == carried
    for wrong in ({"confidence_mean": 2}, {"confidence_mean": True}, {"confidence_least": None}):
        cue = {**said["cues"][0], **wrong}
        cue = {name: value for name, value in cue.items() if value is not None}
        with pytest.raises(UsageError, match="must both be numbers from 0 to 1"):
            read_carried({**said, "cues": [cue]})
