"""Plans in files: what is read, faults with their lines, and that taking one in twice makes no doubles."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy.orm import Session

from shared.catalogue.editing import find_edit, undo
from shared.catalogue.log_files import FaultyFileError
from shared.catalogue.plan import list_lines, list_wishes
from shared.catalogue.plan_kinds import LINE, read_wish
from shared.catalogue.plan_merge import PlanMerge, merge_plan
from shared.errors import UsageError
from shared.models import Production, ShootingDay
from shared.plan.files import parse_plan, read_plan
from shared.vocabulary import Vocabulary
from tests.factories import make_camera, make_day

MD, CSV = Path("plan.md"), Path("plan.csv")
TEXT = """# The Chain Ferry

Day 1: meet the ferrywoman

## Opening

> At 05:40, before the town is awake,
> the ferry makes the first of its 212 crossings.
picture: first light
- must: Ferry at first light | size=wide kind=establishing day=1 seconds=8 camera=A
- [W9] nice: Gulls | origin=idea who="Wren, Ada"

> [N7] The chain lies on the river bed.
* Chain, dripping

## Nell
+ should: Hands on the wheel | who="Nell Harrowby" angle=high origin=quote words="you ""never"" cross it"
"""


def take_in(
    session: Session, production: Production, text: str, vocabulary: Vocabulary, path: Path = MD
) -> PlanMerge:
    return merge_plan(session, production, parse_plan(text.encode(), path), path, vocabulary, "ada")


@pytest.fixture
def day(session: Session, production: Production) -> ShootingDay:
    make_camera(session, production, letter="A")
    return make_day(session, production, number=1)


def test_a_text_becomes_a_plan(
    session: Session, production: Production, day: ShootingDay, vocabulary: Vocabulary
) -> None:
    merge = take_in(session, production, TEXT, vocabulary)
    assert merge.added == ["N1", "N7", "W1", "W9", "W10", "W11"] and merge.changed == ["day 1"]
    first, second = list_lines(session, production)
    assert first.text == "At 05:40, before the town is awake, the ferry makes the first of its 212 crossings."
    assert (first.beat, first.picture, second.code) == ("Opening", "first light", "N7")
    wishes = {wish.code: read_wish(session, wish) for wish in list_wishes(session, production)}
    assert wishes["W1"] | {"position": 0, "words": ""} == {
        "code": "W1", "what": "Ferry at first light", "need": "must", "origin": "narration", "line": "N1",
        "beat": "Opening", "day": "2026-05-01", "kind": "establishing", "size": "ls", "angle": None,
        "camera": "A", "who": [], "place": "", "seconds": 8, "note": "", "dropped": "", "position": 0,
        "words": "",
    }  # fmt: skip
    assert (wishes["W9"]["origin"], wishes["W9"]["line"], wishes["W9"]["who"]) == (
        "idea",
        None,
        ["Ada", "Wren"],
    )
    assert (wishes["W10"]["line"], wishes["W10"]["need"]) == ("N7", "should")
    last = wishes["W11"]
    assert (last["beat"], last["origin"], last["angle"]) == ("Nell", "quote", "high")
    assert last["words"] == 'you "never" cross it' and last["line"] is None
    assert day.goal == "meet the ferrywoman"


def test_taken_in_twice_nothing_is_doubled_and_an_undo_takes_all_back(
    session: Session, production: Production, day: ShootingDay, vocabulary: Vocabulary
) -> None:
    take_in(session, production, TEXT, vocabulary)
    again = take_in(session, production, TEXT, vocabulary)
    assert (again.added, again.changed, again.left, again.edit, again.same) == ([], [], [], None, 7)
    other = take_in(
        session,
        production,
        TEXT.replace("size=wide", "size=els").replace("* Chain", "* The chain"),
        vocabulary,
    )
    assert (other.added, other.changed, other.left) == (["W12"], ["W1"], ["W10"])
    for _ in range(2):
        edit = find_edit(session, production, "ada", None)
        undo(session, production, edit, vocabulary, "ada")
    assert list_wishes(session, production) == [] and list_lines(session, production) == []
    assert day.goal == ""


@pytest.mark.parametrize(
    ("line", "text", "said"),
    [
        (2, "\nA wish without its sign", "is no wish"),
        (1, "- must: | size=cu", "a wish needs words"),
        (1, "- must: Hands | size=huge", "size has no term"),
        (1, "- Hands | sise=cu", "did you mean size?"),
        (1, "- Hands | size=cu loose", "is no field=value"),
        (3, "\n\n- Hands | seconds=soon", "is no number of seconds"),
        (1, "- Hands | day=9", "no shooting day 9"),
        (1, "- Hands | camera=Q", "there is no camera"),
        (1, "Day 9: the sea", "rushlight day 9 --date"),
        (2, "- Hands\n- Hands", "stands there already"),
        (1, "- Hands \x07", "control character"),
        (1, "# Only a title", "there is no wish"),
    ],
)
def test_a_fault_names_its_line_and_nothing_is_changed(
    session: Session,
    production: Production,
    day: ShootingDay,
    vocabulary: Vocabulary,
    line: int,
    text: str,
    said: str,
) -> None:
    with pytest.raises(FaultyFileError) as caught:
        take_in(session, production, text, vocabulary)
    assert caught.value.faults[0].place == f"line {line}" and said in caught.value.faults[0].message
    assert caught.value.path == "plan.md" and caught.value.remedy
    session.rollback()


def test_every_fault_is_told_at_once(
    session: Session, production: Production, day: ShootingDay, vocabulary: Vocabulary
) -> None:
    with pytest.raises(FaultyFileError) as caught:
        take_in(session, production, "- a | size=x\n- b\n- c | kind=y\n", vocabulary)
    assert [fault.place for fault in caught.value.faults] == ["line 1", "line 3"]


def test_a_table_says_the_same(
    session: Session, production: Production, day: ShootingDay, vocabulary: Vocabulary
) -> None:
    table = io.StringIO()
    writer = csv.writer(table)
    writer.writerow(["what", "need", "beat", "size", "seconds", "who", "narration", "picture"])
    writer.writerow(["Ferry at first light", "must", "Opening", "wide", "8", "", "At dawn.", "first light"])
    writer.writerow(["'=Gulls", "nice", "Opening", "", "", "Ada, Nell", "At dawn.", ""])
    writer.writerow(["", "", "Nell", "", "", "", "You never cross it twice.", ""])
    merge = take_in(session, production, table.getvalue(), vocabulary, CSV)
    assert merge.added == ["N1", "N2", "W1", "W2"]
    one, two = list_wishes(session, production)
    assert (one.line is not None and one.line.text, two.what, one.seconds) == ("At dawn.", "=Gulls", 8)
    assert [person.name for person in two.people] == ["Ada", "Nell"]
    assert take_in(session, production, table.getvalue(), vocabulary, CSV).edit is None


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("what;need\n", "line 1"),
        ("what,sise\nx,cu\n", "line 1, column 2"),
        ("what,what\n", "line 1, column 2"),
        ("need\nmust\n", "line 1"),
        ("what,need\nx\n", "line 2"),
        ("what,need\n,must\n", "line 2"),
        ('what\n"x\n', "line 2"),
    ],
)
def test_a_table_with_a_fault(text: str, place: str) -> None:
    with pytest.raises(FaultyFileError) as caught:
        parse_plan(text.encode(), CSV)
    assert caught.value.faults[0].place == place


def test_what_is_no_plan_at_all(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"\.md, \.txt or \.csv"):
        read_plan(tmp_path / "plan.docx")
    with pytest.raises(UsageError, match="can't be read"):
        read_plan(tmp_path / "none.md")
    with pytest.raises(FaultyFileError, match="line 2: this is no UTF-8"):
        parse_plan(b"- a\n- \xff\n", MD)


WORDS = st.text(
    st.characters(codec="utf-8", exclude_categories=("C", "Z"), exclude_characters='|"'),
    min_size=1,
    max_size=12,
)


@given(st.lists(st.tuples(WORDS, WORDS, st.sampled_from(["must", "should", "nice"])), min_size=1, max_size=8))
def test_whatever_words_a_wish_has_they_come_back(rows: list[tuple[str, str, str]]) -> None:
    text = "".join(f'## {beat}\n- {need}: x {what} | note="{what}"\n' for what, beat, need in rows)
    plan = parse_plan(text.encode(), MD)
    assert [(one.fields["what"], one.fields["note"], one.fields["need"]) for one in plan.wishes] == [
        (f"x {what}", what, need) for what, _, need in rows
    ]


@given(st.binary(max_size=300))
def test_no_bytes_stop_it(data: bytes) -> None:
    for path in (MD, CSV):
        try:
            parse_plan(data, path)
        except FaultyFileError as error:
            assert error.faults and all(fault.place.startswith("line ") for fault in error.faults)


def test_lines_keep_what_the_file_does_not_say(
    session: Session, production: Production, day: ShootingDay, vocabulary: Vocabulary
) -> None:
    take_in(session, production, TEXT, vocabulary)
    line = list_lines(session, production)[0]
    line.recorded_ms = 6200
    session.flush()
    take_in(session, production, TEXT, vocabulary)
    assert LINE.read(session, line)["recorded_ms"] == 6200
