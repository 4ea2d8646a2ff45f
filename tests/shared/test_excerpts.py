"""Excerpts: which texts they are taken from, what is marked, and that they are text and nothing else."""

from __future__ import annotations

import jinja2
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select

from shared.catalogue.excerpts import LONGEST, Excerpt, Piece, cut_pieces, read_excerpts
from shared.catalogue.text import refresh_text
from shared.models import Clip, LogEntry, Moment
from tests.factories import make_channel, make_person
from tests.shared.shoot import Shoot
from tests.shared.test_search_pages import counted


def of(shoot: Shoot, query: str, name: str = "winch") -> list[str]:
    """The excerpts of one clip, as `field: text with [hits]`."""
    (clip_id,) = (key for key, short in shoot.names.items() if short == name)
    found = read_excerpts(shoot.session, [clip_id], query, shoot.vocabulary)
    return [_write(one) for one in found.get(clip_id, ())]


def _write(excerpt: Excerpt) -> str:
    return f"{excerpt.field}: " + "".join(f"[{p.text}]" if p.hit else p.text for p in excerpt.pieces)


@pytest.mark.parametrize(
    ("query", "excerpts"),
    [
        ("", []),
        ("kind:b-roll -ada", []),
        ("winches", ["subject: hands at the chain [winch]"]),
        ('"chain winch" hands', ["subject: [hands] at the [chain winch]"]),
        ("nordufer FAHRE", ["place: [Fähre], [Nordufer]"]),
        ("fähr*", ["place: [Fähre], Nordufer"]),
        ("ferries", ["tag: [ferry]"]),
        ("winch nordufer ferry", ["place: Fähre, [Nordufer]", "subject: hands at the chain [winch]"]),
        ("close-ups", ["size: [Close-up]"]),
        ("C0001", ["name: CLIP/[C0001]"]),
        ("C0001.MP4", ["file: CLIP/[C0001.MP4]"]),
        ("35", ["lens: [35] mm f/1.8"]),
        ("good", ["rating: [Good]"]),
        ("keeper", ["rating: [keeper]"]),
        ("nothinglikeit", []),
    ],
)
def test_an_excerpt_shows_why(shoot: Shoot, query: str, excerpts: list[str]) -> None:
    assert of(shoot, query) == excerpts


def test_moments_and_channels_are_shown(shoot: Shoot) -> None:
    clip = shoot.session.scalars(select(Clip).where(Clip.name == "TAKE01")).one()
    moment = Moment(clip_id=clip.id, in_frame=1, out_frame=2, name="the bell")
    shoot.session.add(moment)
    shoot.session.flush()
    shoot.session.add(LogEntry(moment_id=moment.id, kind="insert", note="rings over the fog"))
    make_channel(shoot.session, clip, person_id=make_person(shoot.session, shoot.production, "Ida Moll").id)
    shoot.session.flush()
    refresh_text(shoot.session, [clip.id], shoot.vocabulary)
    assert shoot.find("bells") == "room"
    assert of(shoot, "bells", "room") == ["moment: the [bell]"]
    assert of(shoot, "ringing", "room") == ["moment: [rings] over the fog"]
    assert of(shoot, "moll", "room") == ["person: Ida [Moll]"]


HOSTILE = "<script>alert('ferry')</script> & <b>ferry</b> \"ferry\" {{ferry}} [bold]ferry[/]"


def test_markup_stays_text(shoot: Shoot) -> None:
    """The pieces are the note's own characters; a template that escapes by itself shows them harmless."""
    clip = shoot.session.scalars(select(Clip).where(Clip.name == "TAKE01")).one()
    entry = shoot.session.scalars(select(LogEntry).where(LogEntry.clip_id == clip.id)).one()
    entry.note = HOSTILE
    shoot.session.flush()
    refresh_text(shoot.session, [clip.id], shoot.vocabulary)
    (excerpt,) = read_excerpts(shoot.session, [clip.id], "ferries", shoot.vocabulary)[clip.id]
    assert "".join(piece.text for piece in excerpt.pieces) == HOSTILE
    assert [piece.text for piece in excerpt.pieces if piece.hit] == ["ferry"] * 5
    page = jinja2.Environment(autoescape=True).from_string(
        "{% for p in pieces %}{{ '<mark>'|safe if p.hit }}{{ p.text }}"
        "{{ '</mark>'|safe if p.hit }}{% endfor %}"
    )
    shown = page.render(pieces=excerpt.pieces)
    assert shown.count("<mark>ferry</mark>") == 5
    assert "<" not in shown.replace("<mark>", "").replace("</mark>", "")


def test_a_long_text_is_cut_at_blanks_around_the_first_hit() -> None:
    text = "before " * 60 + "ferry " + "behind " * 60
    pieces = cut_pieces(text, [(420, 425)])
    assert pieces[0] == pieces[-1] == Piece("…", hit=False)
    assert [piece.text for piece in pieces if piece.hit] == ["ferry"]
    inner = "".join(piece.text for piece in pieces[1:-1])
    assert len(inner) <= LONGEST
    assert set(inner.split()) == {"before", "ferry", "behind"}


def test_a_hit_at_the_end_of_a_text_a_little_too_long_is_shown() -> None:
    assert cut_pieces("a" * 20 + "b", [(20, 21)], 20)[-1] == Piece("b", hit=True)


@given(st.text("ab ü\n", min_size=1, max_size=80), st.data())
def test_pieces_are_the_text_and_hold_the_first_hit(text: str, data: st.DataObject) -> None:
    places = st.integers(0, len(text) - 1)
    spans = data.draw(
        st.lists(
            st.tuples(places, st.integers(1, 6)).map(lambda one: (one[0], min(len(text), sum(one)))),
            min_size=1,
            max_size=4,
        )
    )
    pieces = cut_pieces(text, spans, 20)
    own = list(pieces)
    if own[0] == Piece("…", hit=False):
        own = own[1:]
    if own[-1] == Piece("…", hit=False):
        own = own[:-1]
    assert "".join(piece.text for piece in own) in text
    assert all(piece.text for piece in pieces)
    assert any(piece.hit for piece in pieces)
    marked = "".join(("#" if piece.hit else "-") * len(piece.text) for piece in own)
    hit = {place for first, last in spans for place in range(first, last)}
    whole = "".join("#" if place in hit else "-" for place in range(len(text)))
    assert marked in whole


def test_it_costs_the_same_statements_for_one_clip_and_for_all(shoot: Shoot) -> None:
    assert shoot.find("ferry")  # opens the savepoint, which is a statement too
    with counted(shoot.session.get_bind()) as one:
        read_excerpts(shoot.session, list(shoot.names)[:1], "ferry", shoot.vocabulary)
    with counted(shoot.session.get_bind()) as all_of_them:
        read_excerpts(shoot.session, list(shoot.names), "ferry", shoot.vocabulary)
    assert len(one) == len(all_of_them)
