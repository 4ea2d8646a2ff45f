"""Words that are heard are found, in any form and across cues, and the place is shown.

Stems are those of snowballstem.org's English and German algorithms ("holding" and "holds" have the stem
"hold"); folding of accents is Unicode's NFKD without combining marks.
"""

from __future__ import annotations

import pytest
from sqlalchemy import func, select

from shared.catalogue.editing import find_edit, undo
from shared.catalogue.excerpts import read_excerpts
from shared.catalogue.facets import facets
from shared.catalogue.plan_rows import read_takes
from shared.catalogue.rows import RowsEdit
from shared.catalogue.transcript_edits import correct, name_speaker
from shared.catalogue.transcript_import import carry_out, plan_import
from shared.catalogue.transcripts import cues_of
from shared.models import Clip, Touched
from tests.shared.shoot import Shoot

TALK = """WEBVTT

00:01.000 --> 00:03.000
<v Nell>Nobody holds the old

00:03.000 --> 00:05.000
<v Nell>chain of the Fähre <script>alert</script>

00:06.000 --> 00:07.500
<v Guest>Not even at high water?

00:08.000 --> 00:09.500
<v Nell>The chain holds at any water.
"""


@pytest.fixture
def clip(shoot: Shoot) -> Clip:
    found = shoot.session.get_one(Clip, next(key for key, name in shoot.names.items() if name == "ada"))
    edit = RowsEdit(shoot.session, shoot.production, "ada", "transcript")
    carry_out(edit, plan_import(shoot.session, found, TALK.encode(), "C0002.vtt"))
    edit.close()
    return found


@pytest.mark.parametrize(
    ("query", "clips"),
    [
        ("nobody", "ada"),
        ("says:holding", "ada"),
        ("said:HOLD", "ada"),
        ('"old chain"', "ada"),  # over the end of a cue
        ('says:"old chains"', "ada"),
        ('says:"chain old"', ""),
        ("fahre", "winch ada"),  # the log's word and the spoken one
        ("says:fahre", "ada"),
        ("says:winch", ""),  # logged, never said
        ("chain -says:chain", "winch"),
        ("kind:interview says:guest,water", "ada"),
        ("guest", "ada"),  # who speaks
        ("wat*", "ada"),
        ('"holding"', ""),  # exactly so nobody said it
        ("has:transcript", "ada"),
        ("no:transcript", "winch aerial room pilot"),
        ('says:"highs waters"', "ada"),
    ],
)
def test_what_is_said_is_found(shoot: Shoot, clip: Clip, query: str, clips: str) -> None:
    assert shoot.find(query) == clips


def test_a_phrase_late_in_hours_of_speech_is_found(shoot: Shoot) -> None:
    """PostgreSQL keeps 16,383 places of a text (manual, 12.11 "Limitations"), fewer than this has words."""
    clip = shoot.session.get_one(Clip, next(key for key, name in shoot.names.items() if name == "room"))
    lines = [f"00:00:{n % 31:02}.{n // 31:03} the water runs and the ferry waits" for n in range(31 * 80)]
    lines = [*sorted(lines), "00:00:30.999 low slack water at nine"]
    edit = RowsEdit(shoot.session, shoot.production, "ada", "transcript")
    carry_out(edit, plan_import(shoot.session, clip, "\n".join(lines).encode(), "room.txt"))
    edit.close()
    assert shoot.find('"slack water"') == shoot.find('says:"slack waters"') == "room"
    assert shoot.find('"slack wat"*') == "room" and shoot.find('"water slack"') == ""


def test_words_follow_a_correction_and_its_undo(shoot: Shoot, clip: Clip) -> None:
    edit = RowsEdit(shoot.session, shoot.production, "ada", "correct")
    correct(edit, cues_of(shoot.session, clip.id)[2], "Not even at spring tides?")
    edit.close()
    assert (shoot.find("says:tide"), shoot.find("says:high")) == ("ada", "")
    undo(
        shoot.session,
        shoot.production,
        find_edit(shoot.session, shoot.production, "ada", None),
        shoot.vocabulary,
        "ada",
    )
    assert (shoot.find("says:tide"), shoot.find("says:high")) == ("", "ada")


def test_the_place_where_most_is_said_together_is_shown(shoot: Shoot, clip: Clip) -> None:
    cues = cues_of(shoot.session, clip.id)

    def places(query: str) -> list[tuple[int | None, int | None, list[str]]]:
        found = read_excerpts(shoot.session, [clip.id], query, shoot.vocabulary)
        heard = [one for one in found.get(clip.id, ()) if one.field == "says"]
        return [(one.cue, one.frame, [piece.text for piece in one.pieces if piece.hit]) for one in heard]

    assert places("says:chain") == [(cues[1].id, 75, ["chain", "chain"])]
    assert places("chain water") == [(cues[1].id, 75, ["chain", "water", "chain", "water"])]
    assert places('"chain holds"') == [(cues[3].id, 200, ["chain holds"])]
    assert places('"old chain"') == [(cues[0].id, 25, ["old chain"])]
    assert places("interview") == places("-says:chain") == places("kind:interview") == []


def test_an_excerpt_is_text_in_pieces_and_never_markup(shoot: Shoot, clip: Clip) -> None:
    edit = RowsEdit(shoot.session, shoot.production, "ada", "correct")
    correct(edit, cues_of(shoot.session, clip.id)[0], "<b>Nobody</b>")
    edit.close()
    (one,) = read_excerpts(shoot.session, [clip.id], "says:nobody", shoot.vocabulary)[clip.id]
    assert [(piece.text, piece.hit) for piece in one.pieces][:2] == [("<b>", False), ("Nobody", True)]


def test_counts_take_in_who_speaks_and_what_has_a_transcript(shoot: Shoot, clip: Clip) -> None:
    before = shoot.session.scalar(select(func.max(Touched.id))) or 0
    edit = RowsEdit(shoot.session, shoot.production, "ada", "name")
    name_speaker(edit, cues_of(shoot.session, clip.id)[:1], "Nell Marsh")
    edit.close()
    counts = facets(shoot.session, shoot.production, "", shoot.vocabulary)
    assert {one.value: one.count for one in counts["person"]} == {"Ada Wren": 1, "Nell Marsh": 1}
    assert {one.value: one.count for one in counts["has"]}["transcript"] == 1
    touched = select(Touched.clip_id).where(Touched.id > before, Touched.clip_id.is_not(None)).distinct()
    assert list(shoot.session.scalars(touched)) == [clip.id]
    # A named speaker needs a release as anybody who is logged does.
    assert shoot.find("person:marsh no:release") == "ada"
    takes = {take.id: take.voices for take in read_takes(shoot.session, shoot.production)}
    assert takes[clip.id] == ("Nell Marsh",)
