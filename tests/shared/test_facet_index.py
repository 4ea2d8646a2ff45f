"""Bitmaps and SQL count alike, on both databases, whoever changes what and however it is done."""

from __future__ import annotations

import datetime as dt
import random
import subprocess
import sys
import threading
from collections.abc import Iterator

import pytest
from sqlalchemy import delete, func, insert, literal, select, update

from shared.catalogue.facets import facets
from shared.catalogue.productions import find_production
from shared.catalogue.search import Cursor, find_clip_ids, find_clips
from shared.db import Sessions, make_sessions, open_catalogue, reading, writing
from shared.errors import QueryError
from shared.facets import changes
from shared.facets.changes import read_changes, read_place
from shared.facets.index import FacetIndex
from shared.models import (
    Base,
    Clip,
    ClipText,
    File,
    LogEntry,
    Production,
    ShootingDay,
    Tag,
    Touched,
    entry_tag,
)
from shared.vocabulary import Vocabulary
from tests.factories import FIRST_TIME
from tests.schema import fill
from tests.shared.random_log import ask_at_random, edit_at_random, fill_at_random, index_words

pytest_plugins = ("tests.postgres",)


@pytest.fixture(params=["sqlite", "postgresql"])
def sessions(request: pytest.FixtureRequest) -> Iterator[Sessions]:
    """An empty catalogue on each database; both alike but for what the test does with it."""
    url = request.getfixturevalue("catalogue_url" if request.param == "sqlite" else "postgres_url")
    engine = open_catalogue(url)
    yield make_sessions(engine)
    engine.dispose()


@pytest.fixture
def here(catalogue: Sessions, vocabulary: Vocabulary) -> Sessions:
    """On SQLite alone: what does not depend on the database."""
    with writing(catalogue) as session:
        fill_at_random(session, random.Random(7), vocabulary)
    return catalogue


@pytest.fixture
def filled(sessions: Sessions, vocabulary: Vocabulary) -> Sessions:
    with writing(sessions) as session:
        fill_at_random(session, random.Random(7), vocabulary)
    return sessions


def compare(index: FacetIndex, sessions: Sessions, vocabulary: Vocabulary, query: str) -> int:
    """Both count the same, in the same order; how many clips are found."""
    with reading(sessions) as session:
        production = session.get_one(Production, 1)
        counted = index.count(session, production, query, vocabulary)
        assert counted.fields == facets(session, production, query, vocabulary), query
        assert counted.total == len(find_clip_ids(session, production, query, vocabulary)), query
    return counted.total


def count(index: FacetIndex, sessions: Sessions, vocabulary: Vocabulary, query: str) -> int:
    with reading(sessions) as session:
        production = session.get_one(Production, 1)
        return index.count(session, production, query, vocabulary, fields=()).total


# -- the same as SQL --------------------------------------------------------------------------------


def test_random_questions_between_random_edits(sessions: Sessions, vocabulary: Vocabulary) -> None:
    """Some edits are rolled back, some are made by one statement over many rows."""
    dice = random.Random(1)
    with writing(sessions) as session:
        fill_at_random(session, dice, vocabulary)
    index = FacetIndex(sessions)
    found = []
    for _ in range(8):
        for _ in range(2):
            found.append(compare(index, sessions, vocabulary, ask_at_random(dice)))
        with writing(sessions) as session:
            for _ in range(dice.randrange(1, 4)):
                edit_at_random(session, dice)
            if dice.random() < 0.3:
                count(index, sessions, vocabulary, "ferry")  # what is not committed is not counted
                session.rollback()
            else:
                index_words(session, vocabulary)
    assert max(found) > 3 and len(set(found)) > 3, "the questions tell clips apart"


def test_every_kind_of_term(filled: Sessions, vocabulary: Vocabulary) -> None:
    index = FacetIndex(filled)
    for query in (
        *("", "ferry", "ferry winch", "-ferry", '"chain ferry"', "win*", "nothinglikethis", "ferry ferry"),
        *("kind:interview", "-kind:interview", "rating:good..", "rating:..good", "size:close-up,ms"),
        *("day:2..3", "-day:2", "camera:B", "reel:A001", "person:ada", "tag:ferry -person:reed"),
        *("finding:no-signal", "-finding:no-signal,soft-focus", "no:log,still", "-no:log", "has:moment"),
        *("place:quay", "duration:>3s", "date:2026-05-02", "name:c0001", "media:audio,image"),
    ):
        with reading(filled) as session:
            production = session.get_one(Production, 1)
            total = len(find_clip_ids(session, production, query, vocabulary))
        for _ in range(2):  # by SQL, and from what was kept of it
            assert count(index, filled, vocabulary, query) == total, query


def test_pages_in_the_order_of_time(filled: Sessions, vocabulary: Vocabulary) -> None:
    """The same pages as SQL gives, one after another to the end, clips of unknown time last."""
    with writing(filled) as session:
        for number, clip in enumerate(session.scalars(select(Clip))):
            clip.shot_at = None if number % 5 == 0 else FIRST_TIME + dt.timedelta(hours=number % 9 * 7)
    index = FacetIndex(filled)
    with reading(filled) as session:
        production = session.get_one(Production, 1)
        for query, limit in (("", 7), ("-ferry", 5), ("no:date", 2), ("kind:interview", 50)):
            after, pages = None, 0
            while pages == 0 or after is not None:
                here = index.find_page(session, production, query, vocabulary, limit=limit, after=after)
                assert here == find_clips(session, production, query, vocabulary, limit=limit, after=after)
                after = None if here.next is None else Cursor.parse(here.next)
                pages += 1
            assert pages == -(-here.total // limit), query


@pytest.mark.parametrize(
    "query", ["ferry kind:nope", "day:77", "tag:nope", "finding:nope", 'reel:"', "camera:Z"]
)
def test_a_wrong_question_is_refused_alike(here: Sessions, vocabulary: Vocabulary, query: str) -> None:
    index = FacetIndex(here)
    with reading(here) as session:
        production = find_production(session, "1")
        with pytest.raises(QueryError) as by_sql:
            facets(session, production, query, vocabulary)
        with pytest.raises(QueryError) as by_bitmaps:
            index.count(session, production, query, vocabulary)
    assert (str(by_bitmaps.value), by_bitmaps.value.column) == (str(by_sql.value), by_sql.value.column)


def test_the_most_frequent_values(here: Sessions, vocabulary: Vocabulary) -> None:
    with reading(here) as session:
        production = session.get_one(Production, 1)
        index = FacetIndex(here)
        whole = index.count(session, production, "", vocabulary)
        cut = index.count(session, production, "", vocabulary, fields=("kind", "day"), most=2)
    assert list(cut.fields) == ["kind", "day"] and cut.left_out == {"kind": 1, "day": 1}
    left_out = next(one for one in whole.fields["kind"] if one not in cut.fields["kind"])
    assert [one for one in whole.fields["kind"] if one != left_out] == cut.fields["kind"]
    assert left_out.count <= min(one.count for one in cut.fields["kind"])


# -- keeping up -------------------------------------------------------------------------------------


CHANGES = {
    "clip": update(Clip).values(day_id=None),
    "clip_text": update(ClipText).values(words="other"),
    "file": update(File).values(path="CLIP/other.MP4"),
    "log_entry": update(LogEntry).values(rating="ng"),
    "entry_tag": delete(entry_tag),
    **{
        name: table.update().values({column: table.c[column]})
        for name, column in (
            ("clip_file", "role"),
            ("still", "clip_id"),
            ("finding", "dismissed"),
            ("moment", "clip_id"),
            ("answer", "state"),
            ("release_clip", "clip_id"),
        )
        for table in [Base.metadata.tables[name]]
    },
    "entry_person": delete(Base.metadata.tables["entry_person"]),
}
NAMES = {
    "tag": update(Tag).values(name="other"),
    "shooting_day": update(ShootingDay).values(number=9),
    "production": update(Production).values(zone="UTC"),
    **{
        name: Base.metadata.tables[name].update().values({column: "Z9"})
        for name, column in (
            *(("camera", "letter"), ("lens", "name"), ("reel", "name"), ("person", "name")),
            *(("wanted_shot", "what"), ("release", "name")),
        )
    },
}


def test_a_change_of_each_table_is_seen(sessions: Sessions) -> None:
    with writing(sessions) as session:
        fill(session)
        own = set(session.scalars(select(Clip.id)))
    for table, change in {**CHANGES, **NAMES}.items():
        with reading(sessions) as session:
            before = read_place(session)
        with writing(sessions) as session:
            session.execute(change)
        with reading(sessions) as session:
            seen = read_changes(session, before)
        assert not seen.lost
        assert seen.names == (table in NAMES), table
        assert bool(seen.clips) != seen.names and own.issuperset(seen.clips), table
        with reading(sessions) as session:
            assert not read_changes(session, seen.place).clips, "and only once"


def test_another_process_is_heard(filled: Sessions, vocabulary: Vocabulary) -> None:
    index = FacetIndex(filled)
    before = count(index, filled, vocabulary, "rating:ng")
    engine = filled.kw["bind"]
    program = (
        "import sys; from sqlalchemy import create_engine, text\n"
        "with create_engine(sys.argv[1]).begin() as connection:\n"
        "    connection.execute(text(\"UPDATE log_entry SET rating = 'ng'\"))"
    )
    address = engine.url.render_as_string(hide_password=False)
    subprocess.run([sys.executable, "-c", program, address], check=True)
    assert count(index, filled, vocabulary, "rating:ng") > before
    compare(index, filled, vocabulary, "rating:ng")


def test_what_was_pruned_is_read_anew(
    filled: Sessions, vocabulary: Vocabulary, monkeypatch: pytest.MonkeyPatch
) -> None:
    index = FacetIndex(filled)
    compare(index, filled, vocabulary, "ferry")
    with writing(filled) as session:
        session.execute(update(LogEntry).values(rating="circled"))
    with writing(filled) as session:
        session.execute(update(Clip).values(lens_id=None))
        newest = session.scalar(select(func.max(Touched.id))) or 0
        session.execute(delete(Touched).where(Touched.id < newest))
    assert compare(index, filled, vocabulary, "rating:circled") > 0
    monkeypatch.setattr(changes, "MOST_CHANGES", 3)
    with writing(filled) as session:
        session.execute(update(LogEntry).values(rating="ng"))
    assert compare(index, filled, vocabulary, "rating:circled") == 0


def test_old_changes_are_pruned(sessions: Sessions) -> None:
    """By the trigger: the newest hundred thousand stay, whatever was added."""
    with writing(sessions) as session:
        fill(session)
    numbers = select(literal(1).label("n")).cte(recursive=True)
    numbers = numbers.union_all(select(numbers.c.n + 1).where(numbers.c.n < 51_000))
    rows = select(numbers.c.n % 7, 5 + numbers.c.n / 1000)
    for _ in range(3):
        with writing(sessions) as session:
            session.execute(insert(Touched).from_select(["clip_id", "tx"], rows))
    with reading(sessions) as session:
        left = session.scalar(select(func.count()).select_from(Touched)) or 0
    assert 100_000 <= left <= 103_000


def test_a_session_that_began_earlier_spoils_nothing(here: Sessions, vocabulary: Vocabulary) -> None:
    """SQLite shows it the catalogue as it was: its answer may be as old, but is kept for nobody else."""
    index = FacetIndex(here)
    with reading(here) as early:
        production = early.get_one(Production, 1)
        with writing(here) as session:
            session.execute(update(LogEntry).values(rating="circled", note="lantern"))
            session.execute(update(Tag).where(Tag.id == 1).values(name="lantern"))
            index_words(session, vocabulary)
        logged = count(index, here, vocabulary, "rating:circled")
        assert index.count(early, production, "rating:circled lantern", vocabulary).total < logged
    for query in ("lantern", "rating:circled lantern", "tag:lantern"):
        compare(index, here, vocabulary, query)


def test_uncommitted_changes_are_kept_out(here: Sessions, vocabulary: Vocabulary) -> None:
    with writing(here) as session, pytest.raises(AssertionError, match="only reads"):
        FacetIndex(here).count(session, session.get_one(Production, 1), "", vocabulary)


def test_kept_words_keep_up(filled: Sessions, vocabulary: Vocabulary) -> None:
    """A word is asked for once; afterwards only of the clips that have changed."""
    index = FacetIndex(filled)
    for note in ("ferry", "winch", "nothing", "ferry"):
        before = count(index, filled, vocabulary, "ferry")
        with writing(filled) as session:
            entry = session.scalars(select(LogEntry).where(LogEntry.clip_id.is_not(None))).first()
            assert entry is not None and entry.clip_id is not None
            entry.note, entry.tags = note, []
            index_words(session, vocabulary)
        compare(index, filled, vocabulary, "ferry")
        compare(index, filled, vocabulary, "-ferry winch")
    assert before >= 0


def test_prepared_words_are_those_of_many_clips(
    here: Sessions, vocabulary: Vocabulary, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("shared.facets.index.LARGE", 10)
    index = FacetIndex(here)
    index.prepare()
    state = index._state
    assert state is not None and len(state.terms) > 5
    kept = len(state.terms)
    compare(index, here, vocabulary, "ferry")
    assert len(state.terms) == kept, "it is at hand"
    assert {key[0] for key in state.terms.list_keys()} == {1}, "the production beside it is small"


def test_counts_while_somebody_writes(filled: Sessions, vocabulary: Vocabulary) -> None:
    """Each commit is in the very next answer to the one who made it, and no answer fails meanwhile."""
    index = FacetIndex(filled)
    over = threading.Event()
    failed: list[BaseException] = []

    def ask() -> None:
        dice = random.Random(3)
        try:
            while not over.is_set():
                count(index, filled, vocabulary, ask_at_random(dice))
        except Exception as error:  # noqa: BLE001  shown by the test itself
            failed.append(error)

    askers = [threading.Thread(target=ask) for _ in range(2)]
    for asker in askers:
        asker.start()
    try:
        with reading(filled) as session:
            ids = list(
                session.scalars(select(LogEntry.id).where(LogEntry.clip_id < 30).order_by(LogEntry.id))
            )
        with writing(filled) as session:
            session.execute(update(LogEntry).values(rating=None))
        for number, key in enumerate(ids, 1):
            with writing(filled) as session:
                session.execute(update(LogEntry).where(LogEntry.id == key).values(rating="circled"))
            assert count(index, filled, vocabulary, "rating:circled") == number
    finally:
        over.set()
        for asker in askers:
            asker.join()
    assert failed == []


def test_commits_out_of_order(postgres_url: str, vocabulary: Vocabulary) -> None:
    """PostgreSQL alone: what began earlier may be committed later, and is not missed."""
    engine = open_catalogue(postgres_url)
    sessions = make_sessions(engine)
    with writing(sessions) as session:
        fill_at_random(session, random.Random(7), vocabulary)
    index = FacetIndex(sessions)
    with reading(sessions) as session:
        slow_key, quick_key = session.scalars(
            select(LogEntry.id).where(LogEntry.clip_id.is_not(None)).limit(2)
        )
    with sessions() as slow, sessions() as quick:
        slow.execute(update(LogEntry).where(LogEntry.id == slow_key).values(scene="seven", rating="hold"))
        quick.execute(update(LogEntry).where(LogEntry.id == quick_key).values(scene="seven", rating="hold"))
        quick.commit()
        assert count(index, sessions, vocabulary, "rating:hold") == 1
        slow.commit()
        assert count(index, sessions, vocabulary, "rating:hold") == 2
        assert count(index, sessions, vocabulary, "scene:seven") == 2
    engine.dispose()
