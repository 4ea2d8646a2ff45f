"""The log: reading assignments, carrying them out on many clips, and finding the clip that is meant."""

from __future__ import annotations

import datetime as dt
import time
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from shared.catalogue.assignments import LOG_FIELDS, AddNames, Change, RemoveNames, SetNames, SetValue
from shared.catalogue.log import apply_changes, parse_assignments, production_vocabulary
from shared.catalogue.search import find_clip_ids, find_clips
from shared.catalogue.text import refresh_text
from shared.db import Sessions, reading, writing
from shared.errors import NotFoundError, UsageError
from shared.models import (
    Clip,
    LogEntry,
    Person,
    Production,
    ProductionTerm,
    Tag,
)
from shared.vocabulary import Vocabulary
from tests.factories import (
    FIRST_DAY,
    make_camera,
    make_clip,
    make_day,
    make_entry,
    make_lens,
    make_many_clips,
    make_production,
    make_reel,
)

# -- reading ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "change"),
    [
        ("kind=interview", SetValue("kind", "interview")),
        ("KIND = Interview ", SetValue("kind", "interview")),
        ("size=Close-Up", SetValue("size", "cu")),
        ("int-ext=int", SetValue("int_ext", "int")),
        ("rating=", SetValue("rating", None)),
        ("note=a = b, c", SetValue("note", "a = b, c")),
        ("note=two\nlines", SetValue("note", "two\nlines")),
        ("place=", SetValue("place", None)),
        ("day=02", SetValue("day", "2")),
        ("camera=A", SetValue("camera", "A")),
        ("lens=", SetValue("lens", None)),
        ("person=Ada Wren,Tom  Reed", SetNames("person", ("Ada Wren", "Tom Reed"))),
        ('person="Wren, Ada", Tom Reed', SetNames("person", ("Wren, Ada", "Tom Reed"))),
        ('tag="say ""hi"""', SetNames("tag", ('say "hi"',))),
        ("tag=ferry,,ferry, ", SetNames("tag", ("ferry",))),
        ("tag=", SetNames("tag", ())),
        ("tag+=ferry", AddNames("tag", ("ferry",))),
        ("tag -= ferry,rope", RemoveNames("tag", ("ferry", "rope"))),
        ("tag=-=", SetNames("tag", ("-=",))),
    ],
)
def test_assignment_means(text: str, change: Change, vocabulary: Vocabulary) -> None:
    assert parse_assignments([text], vocabulary) == (change,)


@pytest.mark.parametrize(
    ("texts", "words"),
    [
        ([], "nothing to log"),
        (["kind"], "is no field=value"),
        (["=interview"], "is no field=value"),
        (["colour=red"], "there is no field 'colour'"),
        (["kind=intervju"], "kind has no term 'intervju'"),
        (["kind+=interview"], "kind takes no +="),
        (["tag+="], "tag+= needs a name"),
        (['person="Ada'], "do not pair"),
        (['person="Ada"Wren'], "do not pair"),
        (["tag=" + "x" * 101], "100 is the most"),
        (["note=" + "x" * 20_001], "20000 is the most"),
        (["language=" + "x" * 65], "64 is the most"),
        (["note=a\0b"], "control character"),
        (["tag=a\x1b[31m"], "control character"),
        (["note=\ud800"], "control character"),
        (["day=two"], "'two' is no day"),
        (["kind=interview", "kind="], "kind is set twice"),
        (["tag=a", "tag+=b"], "tag is set twice"),
    ],
)
def test_assignment_refused(texts: list[str], words: str, vocabulary: Vocabulary) -> None:
    with pytest.raises(UsageError) as caught:
        parse_assignments(texts, vocabulary)
    assert words in caught.value.message
    assert caught.value.remedy


def test_errors_list_what_exists(vocabulary: Vocabulary) -> None:
    with pytest.raises(UsageError) as caught:
        parse_assignments(["knd=interview"], vocabulary)
    assert all(field in caught.value.message for field in LOG_FIELDS)
    assert caught.value.remedy == "Did you mean kind=?"
    with pytest.raises(UsageError, match=r"circled \(Circled\)"):
        parse_assignments(["rating=great"], vocabulary)


_PIECES = st.sampled_from(["tag", "kind", "note", "=", "+=", "-=", '"', ",", "\n", "cu", "ä"])


@given(st.text() | st.lists(_PIECES, max_size=8).map("".join))
def test_any_text_is_a_change_or_a_usage_error(vocabulary: Vocabulary, text: str) -> None:
    try:
        (change,) = parse_assignments([text], vocabulary)
    except UsageError as error:
        assert error.remedy
        return
    assert change.field in LOG_FIELDS


# -- writing ----------------------------------------------------------------------------------------


def log(session: Session, production: Production, clips: list[Clip], *texts: str, by: str = "Kim") -> int:
    vocabulary = production_vocabulary(session, production)
    changes = parse_assignments(texts, vocabulary)
    return apply_changes(session, production, [clip.id for clip in clips], changes, vocabulary, by)


def entry_of(session: Session, clip: Clip) -> LogEntry:
    return session.scalars(select(LogEntry).where(LogEntry.clip_id == clip.id)).one()


@pytest.fixture
def clips(session: Session, production: Production) -> list[Clip]:
    reel = make_reel(session, production)
    return [make_clip(session, reel) for _ in range(3)]


def test_logging_writes_every_clip(session: Session, production: Production, clips: list[Clip]) -> None:
    before = dt.datetime.now(dt.UTC)
    assert log(session, production, clips[:2], "kind=interview", "note=by the winch", "tag=ferry,rope") == 2
    for clip in clips[:2]:
        entry = entry_of(session, clip)
        assert (entry.kind, entry.note, entry.size) == ("interview", "by the winch", None)
        assert [tag.name for tag in entry.tags] == ["ferry", "rope"]
        assert (entry.version, entry.updated_by) == (1, "Kim")
        assert before <= entry.updated_at <= dt.datetime.now(dt.UTC)
    assert session.scalar(select(func.count()).select_from(LogEntry)) == 2
    assert session.scalar(select(func.count()).select_from(Tag)) == 2


def test_each_change_counts_a_version(session: Session, production: Production, clips: list[Clip]) -> None:
    for number, text in enumerate(["kind=interview", "kind=", "tag+=ferry", "day="], start=1):
        log(session, production, clips[:1], text, by=f"person {number}")
        entry = entry_of(session, clips[0])
        assert (entry.version, entry.updated_by) == (number, f"person {number}")


def test_other_fields_and_other_clips_stay(
    session: Session, production: Production, clips: list[Clip]
) -> None:
    log(session, production, clips, "kind=interview", "size=cu", "place=pier", "tag=ferry")
    log(session, production, clips[:1], "size=ms", "place=")
    first, second = entry_of(session, clips[0]), entry_of(session, clips[1])
    assert (first.kind, first.size, first.place, [tag.name for tag in first.tags]) == (
        "interview", "ms", "", ["ferry"]
    )  # fmt: skip
    assert (second.size, second.place, second.version) == ("cu", "pier", 1)


def test_tags_are_added_removed_and_set(session: Session, production: Production, clips: list[Clip]) -> None:
    def tags(clip: Clip) -> list[str]:
        return [tag.name for tag in entry_of(session, clip).tags]

    log(session, production, clips[:1], "tag+=rope")
    log(session, production, clips, "tag+=ferry,rope")
    assert [tags(clip) for clip in clips] == [["ferry", "rope"]] * 3
    log(session, production, clips[:2], "tag-=rope", "tag+=winch")
    assert [tags(clip) for clip in clips] == [["ferry", "winch"], ["ferry", "winch"], ["ferry", "rope"]]
    log(session, production, clips[1:], "tag=dusk,ferry")
    assert [tags(clip) for clip in clips] == [["ferry", "winch"], ["dusk", "ferry"], ["dusk", "ferry"]]
    log(session, production, clips, "tag=")
    assert [tags(clip) for clip in clips] == [[], [], []]


def test_case_tells_no_names_apart(session: Session, production: Production, clips: list[Clip]) -> None:
    log(session, production, clips, "person=Zoë Wren", "tag=Ferry")
    decomposed = unicodedata.normalize("NFD", "ZOË wren")
    log(session, production, clips, f"person+={decomposed},Zoe Wren", "tag+=ferry")
    assert session.scalars(select(Tag.name)).all() == ["Ferry"]
    assert sorted(session.scalars(select(Person.name))) == ["Zoe Wren", "Zoë Wren"]


def test_names_are_of_one_production(session: Session, production: Production, clips: list[Clip]) -> None:
    other = make_production(session)
    clip = make_clip(session, make_reel(session, other))
    log(session, production, clips, "tag=ferry")
    log(session, other, [clip], "tag=ferry")
    assert sorted(session.scalars(select(Tag.production_id))) == [production.id, other.id]


def test_taking_away_makes_no_entry(session: Session, production: Production, clips: list[Clip]) -> None:
    log(session, production, clips[:1], "tag=ferry")
    log(session, production, clips[1:], "kind=", "tag-=ferry", "person=", "note=")
    assert session.scalar(select(func.count()).select_from(LogEntry)) == 1


def test_an_unknown_tag_stays_unknown(session: Session, production: Production, clips: list[Clip]) -> None:
    log(session, production, clips, "tag=ferry")
    with pytest.raises(UsageError, match="the tags are: ferry"):
        log(session, production, clips, "tag-=fery")


def test_camera_lens_and_day_are_the_clips_own(
    session: Session, production: Production, clips: list[Clip]
) -> None:
    camera = make_camera(session, production, letter="B", name="Second body")
    lens = make_lens(session, production, "35 mm f/1.8")
    day = make_day(session, production, number=2)
    assert clips[0].camera is None
    log(session, production, clips[:2], "camera=b", "lens=35", "day=2")
    assert [(clip.camera, clip.lens, clip.day) for clip in clips[:2]] == [(camera, lens, day)] * 2
    assert clips[2].camera is None
    assert session.scalar(select(func.count()).select_from(LogEntry)) == 0
    log(session, production, clips[:1], "camera=", "day=")
    assert (clips[0].camera, clips[0].lens) == (None, lens)
    assert clips[0].day is not None and clips[0].day.date == FIRST_DAY  # that of its time
    make_lens(session, production, "35 mm f/2.8")
    for text, words in [
        ("camera=Z", r"B \(Second body\)"),
        ("day=7", "2 "),
        ("lens=35", "could be: 35 mm f/1.8"),
    ]:
        with pytest.raises(UsageError, match=words):
            log(session, production, clips, text)


def test_what_is_logged_is_found_at_once(
    session: Session, production: Production, clips: list[Clip], vocabulary: Vocabulary
) -> None:
    refresh_text(session, [clip.id for clip in clips], vocabulary)
    make_camera(session, production, letter="B", name="Gimbal")
    log(
        session,
        production,
        clips[:1],
        "place=Fähre",
        "person=Ada Wren",
        "tag=rope",
        "kind=interview",
        "camera=B",
    )
    for query in ("fahre", "ada", "rope", "interview", "gimbal", "C0001"):
        assert find_clip_ids(session, production, query, vocabulary) == [clips[0].id], query
    log(session, production, clips[:1], "place=", "person=", "tag=", "kind=", "camera=")
    for query in ("fahre", "ada", "rope", "interview", "gimbal"):
        assert find_clip_ids(session, production, query, vocabulary) == [], query


def test_a_loaded_entry_shows_the_change(
    session: Session, production: Production, clips: list[Clip], vocabulary: Vocabulary
) -> None:
    log(session, production, clips, "kind=interview", "tag=ferry")
    entries = find_clips(session, production, "", vocabulary).entries
    log(session, production, clips, "kind=b-roll", "tag=rope")
    assert all(entry.kind == "b-roll" and entry.version == 2 for entry in entries.values())
    assert all([tag.name for tag in entry.tags] == ["rope"] for entry in entries.values())


def test_a_clip_of_another_production_is_refused(
    session: Session, production: Production, clips: list[Clip]
) -> None:
    foreign = make_clip(session, make_reel(session, make_production(session)))
    with pytest.raises(NotFoundError, match=f"no clip #{foreign.id}"):
        log(session, production, [*clips, foreign], "kind=interview")
    assert session.scalar(select(func.count()).select_from(LogEntry)) == 0


def test_a_change_made_by_a_program_is_checked_too(
    session: Session, production: Production, clips: list[Clip], vocabulary: Vocabulary
) -> None:
    with pytest.raises(UsageError, match="kind has no term 'nonsense'"):
        apply_changes(session, production, [clips[0].id], [SetValue("kind", "nonsense")], vocabulary, "Kim")


def test_no_clips_no_change(session: Session, production: Production) -> None:
    assert log(session, production, [], "kind=interview") == 0


def test_a_failed_log_leaves_nothing(catalogue: Sessions) -> None:
    with writing(catalogue) as session:
        production = make_production(session)
        clip = make_clip(session, make_reel(session, production))
    with pytest.raises(UsageError), writing(catalogue) as session:
        log(session, production, [clip], "tag=ferry", "kind=interview", "camera=Z")
    with reading(catalogue) as session:
        assert session.scalar(select(func.count()).select_from(LogEntry)) == 0
        assert session.scalar(select(func.count()).select_from(Tag)) == 0


def test_a_production_has_its_own_terms(
    session: Session, production: Production, clips: list[Clip], vocabulary: Vocabulary
) -> None:
    session.add(
        ProductionTerm(
            production_id=production.id,
            field="kind",
            code="lantern-slide",
            label="Lantern slide",
            definition="A slide shown by lantern.",
            aliases="magic lantern\nglass slide",
        )
    )
    log(session, production, clips[:1], "kind=Glass Slide")
    own = production_vocabulary(session, production)
    assert find_clip_ids(session, production, "kind:lantern-slide", own) == [clips[0].id]
    assert find_clip_ids(session, production, '"magic lantern"', own) == [clips[0].id]
    other = make_production(session)
    assert production_vocabulary(session, other, vocabulary) is vocabulary


# -- many clips -------------------------------------------------------------------------------------


def test_a_bulk_log_is_quick_and_finds_all(
    session: Session, production: Production, vocabulary: Vocabulary
) -> None:
    """2,000 clips logged in one go. The limit is generous: it catches a statement for each clip."""
    ids = make_many_clips(session, production, 2000)
    changes = parse_assignments(
        ["kind=b-roll", "tag=ferry,rope", "person=Ada Wren", "note=Überfahrt"], vocabulary
    )
    started = time.perf_counter()
    assert apply_changes(session, production, ids, changes, vocabulary, "Kim") == 2000
    took = time.perf_counter() - started
    assert find_clip_ids(session, production, "uberfahrt kind:b-roll tag:rope person:ada", vocabulary) == ids
    assert took < 5, f"took {took:.2f} s"


def test_words_of_many_clips_are_written_quickly(
    session: Session, production: Production, vocabulary: Vocabulary
) -> None:
    ids = make_many_clips(session, production, 10_000)
    started = time.perf_counter()
    assert refresh_text(session, ids, vocabulary) == 10_000
    took = time.perf_counter() - started
    assert find_clip_ids(session, production, "C09999", vocabulary) == ids[-1:]
    assert took < 10, f"took {took:.2f} s"


def test_an_entry_made_elsewhere_is_changed_not_doubled(
    session: Session, production: Production, clips: list[Clip]
) -> None:
    entry = make_entry(session, clips[0], note="kept", version=7)
    log(session, production, clips, "kind=interview")
    assert (entry.note, entry.kind, entry.version) == ("kept", "interview", 8)
