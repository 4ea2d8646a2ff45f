"""What a profile leaves out is nowhere in the folder's words, whatever the format; the rest is all there."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy.orm import Session

from api.handover import HandoverReport
from api.handover.profile import Profile, make_profile, read_parts
from shared.catalogue.releases import put_release, release_values
from shared.catalogue.rows import RowsEdit
from shared.catalogue.transcript_import import carry_out, plan_import
from shared.errors import UsageError
from shared.models import Clip, LogEntry, Production
from tests.api.handover_cases import Scene, draw_picture, read_csv, read_json
from tests.factories import make_channel, make_day, make_entry, make_person, make_tag

TEXTS = ("*.csv", "*.json", "*.html", "*.otio", "*.txt", "*.edl", "*.mhl", "*.xml", "*.vtt")
TALK = (
    b"WEBVTT\n\n00:00:01.000 --> 00:00:02.000\n<v Ida Fenn>Write to nell@ferry.example, at the Winch house.\n"
)


@pytest.fixture
def scene(session: Session, production: Production, tmp_path: Path) -> Scene:
    return Scene(session, production, tmp_path)


@pytest.fixture
def clip(scene: Scene) -> Clip:
    """A clip with a place, ways to reach people, and a child, in every field that takes words."""
    session, production = scene.session, scene.production
    day = make_day(session, production, number=1, goal="Meet Ida Fenn at the Winch house, +45 20 30 40 50")
    clip = scene.add_clip(scene.add_reel("A001", day_id=day.id), "C1.MOV", start_frame=100)
    ida, nell = (
        make_person(session, production, "Ida Fenn"),
        make_person(session, production, "Nell Harrowby"),
    )
    make_entry(
        session, clip, people=[ida, nell], place="Winch house", rating="circled",
        subject="Ida Fenn beside the winch  HOUSE door", scene="Winch house",
        note="Call nell@ferry.example or 020 7946 0018. Park at 55.67612, 12.56834, then 54° 12' 5\" N.",
        tags=[make_tag(session, production, "winch house"), make_tag(session, production, "hands")],
    )  # fmt: skip
    scene.add_moment(clip, 10, 20, "Ida Fenn laughs", note="at the Winch house; +44 20 7946 0018")
    make_channel(session, clip, person_id=ida.id, track="Ida Fenn")
    scene.add_stills(clip, draw_picture("C1"))
    edit = RowsEdit(session, production, "ada", "releases")
    for values in (
        {"who": "Ida Fenn", "kind": "minor", "signed": "2026-05-01", "guardian": "Somebody"},
        {"kind": "place", "who": "Winch house", "signed": "2026-05-01", "media": "all"},
    ):
        put_release(edit, None, release_values(session, production, values))
    carry_out(edit, plan_import(session, clip, TALK, "talk.vtt"))
    edit.close()
    return clip


def words_of(report: HandoverReport) -> str:
    return "\n".join(
        path.read_text(errors="replace") for glob in TEXTS for path in report.folder.rglob(glob)
    ).casefold()


def test_without_a_profile_all_is_there(scene: Scene, clip: Clip) -> None:
    words = words_of(scene.hand_over(clip))
    for word in ("winch house", "nell@ferry.example", "7946", "ida fenn", "55.67612"):
        assert word in words, word


def test_what_is_left_out_is_nowhere(scene: Scene, clip: Clip) -> None:
    report = scene.hand_over(clip, left_out=["contacts", "places", "minors"], query='place:"Winch house"')
    words = words_of(report)
    for word in ("winch house", "winch  house", "nell@", "7946", "20 30 40", "ida fenn", "55.67612", "54°"):
        assert word not in words, word
    (row,) = read_csv(report)
    assert row["who"] == "[name left out]; Nell Harrowby", "names of grown people stay: captions need them"
    assert (row["place"], row["tags"]) == ("", "hands")
    assert row["subject"] == "[name left out] beside the [place left out] door"
    # What a person and a place permit is looked up by the names that are not handed over.
    assert row["release status"] == "1 of 2 people not cleared"
    assert row["rights"] == "place: media: all"
    (twin,) = read_json(report)["clips"]
    assert twin["moments"][0]["name"] == "[name left out] laughs"
    assert "[name left out]>Write to [contact left out], at the [place left out]." in (
        report.folder / "transcripts" / "A001_C1.vtt"
    ).read_text(encoding="utf-8")
    readme = " ".join((report.folder / "README.txt").read_text().split())
    assert "Left out of our words on purpose: e-mail addresses and telephone numbers; places" in readme


def test_the_catalogue_keeps_every_word(scene: Scene, clip: Clip) -> None:
    scene.hand_over(clip, left_out=["contacts", "places", "minors"])
    scene.session.commit()
    scene.session.expire_all()
    entry = scene.session.query(LogEntry).filter_by(clip_id=clip.id).one()
    assert entry.place == "Winch house" and "nell@ferry.example" in entry.note
    assert [person.name for person in entry.people] == ["Ida Fenn", "Nell Harrowby"]
    assert scene.production.days[0].goal.startswith("Meet Ida Fenn")


def test_a_hash_list_that_names_its_maker_is_left_out_whole_and_named(scene: Scene, clip: Clip) -> None:
    """ASC MHL 1.0: creatorinfo may hold `author` (with e-mail and phone) and `location`."""
    history = Path(scene.destinations[0].path) / clip.reel.folder / "ascmhl"
    (history / "0002_A001_2026-05-13_180000Z.mhl").write_bytes(
        b'<hashlist><creatorinfo><author phone="1">Ada</author></creatorinfo></hashlist>'
    )
    assert any(name.startswith("manifests/") for name in scene.hand_over(clip, left_out=["places"]).files)
    report = scene.hand_over(clip, left_out=["contacts"])
    assert not any(name.startswith("manifests/") for name in report.files)
    assert any("hash lists name what is left out" in gap and "A001" in gap for gap in report.missing)


def test_only_what_is_known_can_be_left_out() -> None:
    assert read_parts(" Contacts,places, ") == {"contacts", "places"}
    with pytest.raises(UsageError, match="'stills' is nothing") as caught:
        read_parts("contacts,stills")
    assert "contacts, places, minors" in str(caught.value.remedy)


@pytest.mark.parametrize(
    "kept",
    ["2026-05-12", "10:31:07:12", "01:00:00;02", "24000/1001", "A001 C0003", "take 3 of 12", "3840x2160",
     "12.05.2026", "0.0411522", "-5 °C", "180 degrees", "50 mm f/1.8", "1.234567 s", "FERA0003", "0.5, 1.5"],
)  # fmt: skip
def test_figures_of_the_trade_are_no_contacts_and_no_places(kept: str, scene: Scene) -> None:
    profile = make_profile(scene.session, scene.production, ["contacts", "places"])
    assert profile.mask(f"at {kept} sharp") == f"at {kept} sharp"


@pytest.mark.parametrize(
    "gone",
    ["+44 20 7946 0018", "020 7946 0018", "(020) 7946-0018", "0045-20-30-40-50", "20 30 40 50", "+4520304050",
     "a.b+c@d-e.example.org", "01632 960018"],
)  # fmt: skip
def test_numbers_and_addresses_are_masked(gone: str, scene: Scene) -> None:
    """Numbers that regulators keep for drama (01632 960xxx, 020 7946 0xxx: Ofcom, from memory)."""
    profile = make_profile(scene.session, scene.production, ["contacts"])
    assert profile.mask(f"ask {gone}, then go") == "ask [contact left out], then go"


@given(st.text(max_size=60))
def test_nothing_chosen_nothing_changed(text: str) -> None:
    assert Profile().mask(text) == text
