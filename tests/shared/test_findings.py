"""Findings as people deal with them: dismissed with a reason, counted no longer, brought back."""

from __future__ import annotations

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.catalogue.editing import find_edit, undo
from shared.catalogue.facets import facets
from shared.catalogue.findings import dismiss_findings, list_findings
from shared.catalogue.search import find_clip_ids
from shared.errors import ConflictError, NotFoundError, UsageError
from shared.models import Change, Clip, Finding, Production
from shared.vocabulary import Vocabulary
from tests.factories import make_clip, make_finding, make_production, make_reel


@pytest.fixture
def clips(session: Session, production: Production) -> list[Clip]:
    reel = make_reel(session, production)
    clips = [make_clip(session, reel, f"C{number:04d}.MOV", frames=500) for number in range(3)]
    make_finding(session, clips[0], code="shaky", in_frame=50, out_frame=75)
    make_finding(session, clips[0], code="black", in_frame=10, out_frame=20)
    make_finding(session, clips[2], code="shaky")
    make_finding(session, None, file_id=clips[1].files[0].file_id, code="media-crash")
    return clips


def ids_of(session: Session, *codes: str) -> list[int]:
    return list(session.scalars(select(Finding.id).where(Finding.code.in_(codes)).order_by(Finding.id)))


def counted(session: Session, production: Production, vocabulary: Vocabulary) -> dict[str, int]:
    found = facets(session, production, "", vocabulary).get("finding", [])
    return {value.value: value.count for value in found}


def test_findings_are_listed_by_clip_and_place(session: Session, clips: list[Clip]) -> None:
    ids = [clips[2].id, clips[0].id, clips[1].id]
    listed = [(one.clip.id, one.finding.code) for one in list_findings(session, ids)]
    assert listed == [
        (clips[2].id, "shaky"),
        (clips[0].id, "black"),
        (clips[0].id, "shaky"),
        (clips[1].id, "media-crash"),
    ]
    assert [one.finding.code for one in list_findings(session, ids, codes=["black"])] == ["black"]


def test_a_dismissed_finding_is_kept_and_counts_no_longer(
    session: Session, production: Production, clips: list[Clip], vocabulary: Vocabulary
) -> None:
    assert counted(session, production, vocabulary) == {"black": 1, "media-crash": 1, "shaky": 2}
    chosen = ids_of(session, "shaky", "media-crash")
    count, edit = dismiss_findings(session, production, chosen, "  shot from the boat ", "ada")
    assert count == 3 and edit is not None
    assert counted(session, production, vocabulary) == {"black": 1}
    assert find_clip_ids(session, production, "has:finding", vocabulary) == [clips[0].id]
    assert [one.finding.code for one in list_findings(session, [clips[0].id])] == ["black"]
    everything = list_findings(session, [clips[0].id], dismissed=True)
    assert [(one.finding.code, one.finding.dismissed) for one in everything] == [
        ("black", None),
        ("shaky", "shot from the boat"),
    ]
    rows = session.scalars(select(Change).where(Change.set_id == edit.id)).all()
    assert {(row.kind, row.subject_id) for row in rows} == {("finding", key) for key in chosen}
    assert all(row.after == {"dismissed": "shot from the boat"} for row in rows)
    assert edit.author == "ada" and "shot from the boat" in edit.summary


def test_a_dismissal_is_taken_back_and_brought_back(
    session: Session, production: Production, clips: list[Clip], vocabulary: Vocabulary
) -> None:
    dismiss_findings(session, production, ids_of(session, "shaky"), "meant", "ada")
    done = undo(session, production, find_edit(session, production, "ada", None), vocabulary, "ada")
    assert counted(session, production, vocabulary)["shaky"] == 2
    undo(session, production, find_edit(session, production, "ada", done.id), vocabulary, "ada")
    assert "shaky" not in counted(session, production, vocabulary)


def test_an_undo_meets_a_later_word(
    session: Session, production: Production, clips: list[Clip], vocabulary: Vocabulary
) -> None:
    chosen = ids_of(session, "black")
    _, first = dismiss_findings(session, production, chosen, "a fade", "ada")
    dismiss_findings(session, production, chosen, "no: a fault of the lens", "bo")
    assert first is not None
    with pytest.raises(ConflictError, match="changed since"):
        undo(session, production, first, vocabulary, "ada")
    session.delete(session.get_one(Finding, chosen[0]))
    session.flush()
    with pytest.raises(ConflictError, match="changed since"):
        undo(session, production, first, vocabulary, "ada")


@pytest.mark.parametrize("reason", ["", "   ", "x\x00y", "n" * 2001])
def test_a_reason_is_needed(session: Session, production: Production, clips: list[Clip], reason: str) -> None:
    with pytest.raises(UsageError):
        dismiss_findings(session, production, ids_of(session, "black"), reason, "ada")


def test_a_finding_of_another_production_is_not_reached(
    session: Session, production: Production, clips: list[Clip]
) -> None:
    other = make_production(session, name="Another Film", slug="another-film")
    with pytest.raises(NotFoundError, match="no finding"):
        dismiss_findings(session, other, ids_of(session, "shaky"), "meant", "ada")
