"""Finding the one clip that a person means."""

from __future__ import annotations

import unicodedata

import pytest
from sqlalchemy.orm import Session

from shared.catalogue.log import find_one_clip
from shared.errors import ConflictError, NotFoundError
from shared.models import Clip, FileRole, Production
from tests.factories import make_clip, make_clip_file, make_file, make_production, make_reel


@pytest.fixture
def named(session: Session, production: Production) -> dict[str, Clip]:
    a001, b001 = (make_reel(session, production, name=name) for name in ("A001", "B001"))
    clips = {
        "a1": make_clip(session, a001, "CLIP/C0001.MP4"),
        "a10": make_clip(session, a001, "CLIP/C0001_0.MP4"),
        "b1": make_clip(session, b001, "DCIM/101/C0001.MOV"),
        "b2": make_clip(session, b001, "DCIM/101/Bogen Øst 50%.MOV"),
        "c": make_clip(session, b001, "clip/c0007.mp4"),
        "C": make_clip(session, b001, "CLIP/C0007.MP4"),
        "dot": make_clip(session, b001, ".hidden"),
    }
    sidecar = make_file(session, a001, "CLIP/C0001M01.XML")
    make_clip_file(session, clips["a1"], sidecar, role=FileRole.SIDECAR, ordinal=1)
    return clips


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("A001/C0001", "a1"),
        ("a001/c0001", "a1"),
        ("A001/C0001.MP4", "a1"),
        ("A001/CLIP/C0001", "a1"),
        ("CLIP/C0001", "a1"),
        (" C0001.MP4 ", "a1"),
        ("c0001.mov", "b1"),
        ("101/C0001", "b1"),
        ("C0001M01.XML", "a1"),
        ("C0001_0", "a10"),
        ("bogen øst 50%", "b2"),
        ("BOGEN ØST 50%.mov", "b2"),
        (unicodedata.normalize("NFD", "Bogen Øst 50%"), "b2"),
        ("c0007", "c"),
        ("C0007", "C"),
        (".hidden", "dot"),
    ],
)
def test_a_name_means_one_clip(
    session: Session, production: Production, named: dict[str, Clip], text: str, key: str
) -> None:
    assert find_one_clip(session, production, text) is named[key]


def test_a_number_means_its_clip(session: Session, production: Production, named: dict[str, Clip]) -> None:
    assert find_one_clip(session, production, f"#{named['b1'].id}") is named["b1"]
    with pytest.raises(NotFoundError):
        find_one_clip(session, make_production(session), f"#{named['b1'].id}")
    with pytest.raises(NotFoundError):
        find_one_clip(session, production, "#999999999999999999")


def test_an_ambiguous_name_lists_the_clips(
    session: Session, production: Production, named: dict[str, Clip]
) -> None:
    with pytest.raises(ConflictError) as caught:
        find_one_clip(session, production, "C0001")
    message = caught.value.message
    assert f"#{named['a1'].id} A001/CLIP/C0001" in message
    assert f"#{named['b1'].id} B001/DCIM/101/C0001" in message
    assert "C0001_0" not in message


@pytest.mark.parametrize(
    "text", ["C0002", "0001", "%", "_", "A001/", "", "/", "\0", "\ud800", "B001/C0001_0", "#", "#x"]
)
def test_a_name_that_means_nothing(
    session: Session, production: Production, named: dict[str, Clip], text: str
) -> None:
    with pytest.raises(NotFoundError) as caught:
        find_one_clip(session, production, text)
    assert caught.value.remedy


def test_a_near_name_is_suggested(session: Session, production: Production, named: dict[str, Clip]) -> None:
    with pytest.raises(NotFoundError, match="A001/CLIP/C0001"):
        find_one_clip(session, production, "C001.MP4")
