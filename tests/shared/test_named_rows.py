"""A tag, a person or a lens under another name: every clip follows, and an undo takes it back."""

from __future__ import annotations

import pytest
from sqlalchemy.orm import Session

from shared.catalogue.editing import edit_clips, find_edit, undo
from shared.catalogue.log import parse_assignments
from shared.catalogue.moments import MomentEdit, make_moment
from shared.catalogue.named_rows import NAMED, count_uses, rename
from shared.catalogue.rows import RowsEdit
from shared.catalogue.search import find_clip_ids
from shared.errors import ConflictError, UsageError
from shared.models import Clip, Lens, Person, Production, Tag
from shared.vocabulary import load_vocabulary
from tests import factories as make

WORDS = load_vocabulary()


@pytest.fixture
def clips(session: Session, production: Production) -> list[Clip]:
    lens = make.make_lens(session, production, "35 mm")
    reel = make.make_reel(session, production)
    made = [make.make_clip(session, reel, f"C{n}.MOV", frames=100, lens_id=lens.id) for n in range(3)]
    said = parse_assignments(["tag=fery,tide", "person=Ada Wrenn"], WORDS)
    edit_clips(session, production, [made[0].id], said, WORDS, "ada")
    inside = MomentEdit(10, 20, "the gear", parse_assignments(["tag=fery"], WORDS))
    make_moment(session, made[1], production, inside, WORDS, "ada")
    return made


def found(session: Session, production: Production, query: str) -> list[int]:
    return find_clip_ids(session, production, query, WORDS)


def test_every_clip_and_its_words_follow(session: Session, production: Production, clips: list[Clip]) -> None:
    edit = rename(session, production, "tag", "fery", "ferry", "ada")
    assert edit is not None and edit.summary == "tag fery renamed ferry"
    assert (
        found(session, production, "tag:ferry")
        == found(session, production, "ferry")
        == [
            clips[0].id,
            clips[1].id,
        ]
    )
    assert found(session, production, "fery") == []
    assert rename(session, production, "tag", "ferry", "ferry", "ada") is None
    rename(session, production, "person", "Wrenn", "Ada Wren", "ada")
    assert found(session, production, 'person:"Ada Wren"') == [clips[0].id]
    rename(session, production, "lens", "35 mm", "35 mm f/1.8", "ada")
    assert len(found(session, production, 'lens:"35 mm f/1.8"')) == 3
    for _ in range(3):
        undo(session, production, find_edit(session, production, "ada", None), WORDS, "ada")
    assert len(found(session, production, "tag:fery")) == len(found(session, production, "fery")) == 2
    assert found(session, production, 'person:"Ada Wrenn" wrenn') == [clips[0].id]


def test_uses_are_counted_by_clips(session: Session, production: Production, clips: list[Clip]) -> None:
    names = {row.id: row.name for row in session.query(Tag)}
    assert {names[key]: count for key, count in count_uses(session, production, "tag").items()} == {
        "fery": 2,
        "tide": 1,
    }
    assert list(count_uses(session, production, "person").values()) == [1]
    assert list(count_uses(session, production, "lens").values()) == [3]


def test_a_name_that_another_has_is_refused(
    session: Session, production: Production, clips: list[Clip]
) -> None:
    with pytest.raises(ConflictError, match="there is a tag tide already") as caught:
        rename(session, production, "tag", "fery", "TIDE", "ada")
    assert caught.value.remedy is not None and "tag+=" in caught.value.remedy
    rename(session, production, "tag", "tide", "Tide", "ada")  # its own, written otherwise
    for bad in ("", " ", "x" * 101, "a\x07"):
        with pytest.raises(UsageError):
            rename(session, production, "tag", "fery", bad, "ada")
    with pytest.raises(UsageError):
        rename(session, production, "tag", "nobody", "x", "ada")


def test_what_is_used_is_not_taken_away(session: Session, production: Production, clips: list[Clip]) -> None:
    edit = RowsEdit(session, production, "ada", "x")
    for model, said in ((Tag, "log entries have it"), (Person, "log entries name"), (Lens, "3 clips were")):
        field = model.__tablename__
        row = session.query(model).order_by("id").first()
        with pytest.raises(ConflictError, match=said):
            edit.remove(NAMED[field], row)
