"""A log taken out of one catalogue and merged into another: nothing doubled, nothing lost, all undone."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import event, func, select
from sqlalchemy.orm import Session

from shared.catalogue.assignments import parse_assignments
from shared.catalogue.editing import edit_clips, undo
from shared.catalogue.log_export import export_log
from shared.catalogue.log_files import (
    COLUMNS,
    FaultyFileError,
    Record,
    join_names,
    read_records,
    write_records,
)
from shared.catalogue.moments import MomentEdit, list_moments, make_moment
from shared.catalogue.search import find_clip_ids
from shared.catalogue.transfer import Prefer, plan_merge
from shared.errors import UsageError
from shared.models import ChangeSet, Clip, LogEntry, Moment, Production, Tag
from shared.safe_cells import guard_cell, unguard_cell
from shared.vocabulary import Vocabulary
from tests.factories import make_clip, make_lens, make_many_clips, make_production, make_reel
from tests.shared.merge_support import VOCABULARY, merge_in

KINDS = (".csv", ".jsonl")
# What a person may write, and what a spreadsheet would run.
TRICKY = (
    "=1+1",
    "'=1+1",
    "''=1",
    "@SUM(A1)",
    "+49 30",
    "-",
    "'tis",
    "a;=1",
    "a;'=1",
    "one\n=two",
    "\t=1",
    "a,b",
)


@pytest.fixture
def clips(session: Session, production: Production) -> list[Clip]:
    reel = make_reel(session, production)
    return [make_clip(session, reel) for _ in range(3)]


def log(session: Session, clips: Iterable[Clip], *texts: str) -> None:
    ids = [clip.id for clip in clips]
    production = session.get_one(Clip, ids[0]).production
    edit_clips(session, production, ids, parse_assignments(texts, VOCABULARY), VOCABULARY, "Kim")


def out(session: Session, production: Production, to: Path, query: str = "") -> Path:
    session.flush()
    records = export_log(session, production, query, VOCABULARY)
    to.write_bytes(b"".join(write_records(to.suffix, records)))
    return to


def twin_of(session: Session, clips: Iterable[Clip]) -> tuple[Production, list[Clip]]:
    """The same card offloaded on a second machine: other ids, other names, the same bytes."""
    other = make_production(session)
    reel = make_reel(session, other, name="X901")
    twins = []
    for number, clip in enumerate(clips):
        twin = make_clip(session, reel, f"OTHER/{number}.MP4")
        twin.files[0].file.digest, twin.files[0].file.size = (
            clip.files[0].file.digest,
            clip.files[0].file.size,
        )
        twins.append(twin)
    session.flush()
    return other, twins


def said(session: Session, clip: Clip) -> dict[str, object]:
    session.expire_all()
    entry = session.scalar(select(LogEntry).where(LogEntry.clip_id == clip.id))
    if entry is None:
        return {}
    fields = ("kind", "size", "rating", "place", "note")
    values: dict[str, object] = {name: getattr(entry, name) for name in fields if getattr(entry, name)}
    values |= {"tags": [tag.name for tag in entry.tags]} if entry.tags else {}
    return values | ({"people": [one.name for one in entry.people]} if entry.people else {})


# -- cells ------------------------------------------------------------------------------------------

_CELLS = st.text(st.sampled_from("=+-@'\";,\t\r\n ab＝\u200b") | st.characters(codec="utf-8"), max_size=12)


@given(_CELLS)
def test_a_cell_never_runs_and_comes_back_exactly(text: str) -> None:
    cell = guard_cell(text)
    assert unguard_cell(cell) == text
    assert cell.lstrip()[:1] not in tuple("=+-@|%＝＋－＠") or not cell.lstrip()
    assert not cell.startswith(("\t", "\r"))


@pytest.mark.parametrize("text", ["plain", "'tis", "3 - 2", "a;b", "two\nlines", "", "Ada's"])
def test_a_harmless_cell_is_left_alone(text: str) -> None:
    assert guard_cell(text) == text and unguard_cell(text) == text


# -- files ------------------------------------------------------------------------------------------

_TEXTS = st.sampled_from(TRICKY) | st.text(
    st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), max_size=20
)


@given(
    rows=st.lists(
        st.fixed_dictionaries(
            {}, optional={"note": _TEXTS, "place": _TEXTS, "tag": st.lists(_TEXTS, max_size=3)}
        ),
        max_size=4,
    ),
    kind=st.sampled_from(KINDS),
)
@settings(max_examples=40)
def test_what_is_written_is_read_again(
    rows: list[dict[str, str | list[str]]],
    kind: str,
    vocabulary: Vocabulary,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    records = [
        Record(0, f"xxh128:{number:032x}", number, None, values)
        for number, row in enumerate(rows)
        if (values := _as_kept(row)) is not None
    ]
    path = tmp_path_factory.mktemp("files") / f"log{kind}"
    path.write_bytes(b"".join(write_records(kind, records)))
    again = read_records(path, vocabulary)
    assert [(one.hash, one.size, one.values) for one in again] == [
        (one.hash, one.size, one.values) for one in records
    ]


def _as_kept(row: dict[str, str | list[str]]) -> dict[str, str | tuple[str, ...]]:
    """As the catalogue has it: no blanks around a text, none twice between the words of a name."""
    kept: dict[str, str | tuple[str, ...]] = {}
    for name, value in row.items():
        if isinstance(value, str):
            kept[name] = value.strip()
        else:
            kept[name] = tuple(dict.fromkeys(one for text in value if (one := " ".join(text.split()))))
    return {name: value for name, value in kept.items() if value}


def test_a_csv_is_one_by_the_standard(
    session: Session, production: Production, clips: list[Clip], tmp_path: Path
) -> None:
    """RFC 4180: CRLF, commas, one number of cells; and every cell is text that nothing runs."""
    for clip, note in zip(clips, ("=cmd|' /C calc'!A0", 'say "hi", he', "two\nlines"), strict=True):
        log(session, [clip], f"note={note}")
    data = out(session, production, tmp_path / "log.csv").read_bytes()
    assert data.count(b"\r\n") == 4 and data.startswith(b"\xef\xbb\xbf")
    rows = list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline=""), strict=True))
    assert rows[0] == list(COLUMNS) and {len(row) for row in rows} == {len(COLUMNS)}
    assert rows[1][COLUMNS.index("note")] == "'=cmd|' /C calc'!A0"
    assert [row[COLUMNS.index("clip")] for row in rows[1:]] == [clip.name for clip in clips]


def head(*rows: str) -> bytes:
    return "\n".join(("hash,bytes,kind,tag,in,out", *rows)).encode()


@pytest.mark.parametrize(
    ("name", "data", "places"),
    [
        ("a.csv", b"", ["line 1: there is no head"]),
        ("a.csv", b"hash,bytes,knd\n", ["line 1, column 3: there is no field 'knd'; did you mean kind?"]),
        ("a.csv", b"hash,kind,kind\n",
         ["line 1, column 3: there is a column kind", "line 1: there is no column"]),
        ("a.csv", b"hash;bytes;kind\n", ["semicolons"]),
        ("a.csv", head("xxh128:00000000,1,intervju,,,"), ["line 2, column 3 (kind): kind has no term"]),
        ("a.csv", head("xxh128:00000000,1"), ["line 2: 2 cells, the head has 6"]),
        ("a.csv", head("nonsense,1,,,,"), ["line 2, column 1 (hash)"]),
        ("a.csv", head("xxh128:00000000,-1,,,,"), ["line 2, column 2 (bytes)"]),
        ("a.csv", head("xxh128:00000000,1,,,5,"), ["line 2, column 5 (in): a moment needs both"]),
        ("a.csv", head("xxh128:00000000,1,,,5,5"), ["line 2, column 6 (out): 5 to 5 is no range"]),
        (
            "a.csv",
            head('xxh128:00000000,1,,"a\nb",,', 'xxh128:00000001,1,,"""a",,', "xxh128:00000002,1,x,,,"),
            ["line 4, column 4 (tag)", "line 5, column 3 (kind)"],
        ),
        ("a.csv", head('xxh128:00000000,1,"open'), ["line 2: not comma-separated values"]),
        ("a.csv", head("xxh128:00000000,1,,,,") + b"\n\xff\xfe,,,,,", ["line 3, byte 1: this is no UTF-8"]),
        ("a.jsonl", b'{"hash": "xxh128:00000000", "bytes": 1, "knd": 1}', ["line 1, knd: there is no field"]),
        ("a.jsonl", b"\n{]", ["line 2, column 2: not JSON"]),
        ("a.jsonl", b"[1]", ["line 1: this is no object"]),
        ("a.jsonl", b'{"kind": 1, "kind": 2}', ["line 1: not JSON that can be read: a name"]),
        ("a.jsonl", b'{"note": {"a": 1}, "tag": [1]}', ["line 1, note: this must", "line 1, tag: this"]),
        ("a.jsonl", b'{"note": "\\ud800"}', ["line 1, note: note holds a control character"]),
        ("a.jsonl", b"[" * 100_000, ["line 1"]),
    ],
)  # fmt: skip
def test_a_faulty_file_names_line_and_column(
    tmp_path: Path, vocabulary: Vocabulary, name: str, data: bytes, places: list[str]
) -> None:
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(FaultyFileError) as caught:
        read_records(path, vocabulary)
    assert caught.value.path == str(path)
    for place in places:
        assert place in caught.value.message
    assert len(caught.value.faults) == len(places)


def test_another_kind_of_file_is_refused(tmp_path: Path, vocabulary: Vocabulary) -> None:
    for path in (tmp_path / "log.xlsx", tmp_path / "not there.csv"):
        with pytest.raises(UsageError) as caught:
            read_records(path, vocabulary)
        assert caught.value.path == str(path)


# -- round trips and merges -------------------------------------------------------------------------


def fill_log(session: Session, production: Production, clips: list[Clip]) -> None:
    log(
        session,
        clips[:1],
        "kind=interview",
        "size=cu",
        'person="Wren, Ada",Tom Reed',
        "tag==x,ferry",
        "note==1+1",
    )
    log(session, clips[1:2], "place=Fähre", "note=two\nlines; -so")
    edit = MomentEdit(10, 20, "=the chain", parse_assignments(["kind=insert", "tag+=rope"], VOCABULARY))
    make_moment(session, clips[1], production, edit, VOCABULARY, "Kim")


@pytest.mark.parametrize("kind", KINDS)
def test_a_log_put_back_changes_nothing(
    session: Session, production: Production, clips: list[Clip], tmp_path: Path, kind: str
) -> None:
    fill_log(session, production, clips)
    path = out(session, production, tmp_path / f"log{kind}")
    merge, edit = merge_in(session, production, path)
    assert edit is None and not merge.changes and not merge.conflicts and not merge.unknown
    assert merge.same == 4
    assert out(session, production, tmp_path / f"again{kind}").read_bytes() == path.read_bytes()


@pytest.mark.parametrize("kind", KINDS)
def test_a_second_machine_gets_all_of_it_once(
    session: Session, production: Production, clips: list[Clip], tmp_path: Path, kind: str
) -> None:
    """By content alone: the clips have other names there. Twice makes no doubles."""
    fill_log(session, production, clips)
    path = out(session, production, tmp_path / f"log{kind}")
    other, twins = twin_of(session, clips)
    for _ in range(2):
        merge, _ = merge_in(session, other, path)
        assert not merge.conflicts and not merge.unknown
        assert [said(session, clip) for clip in twins] == [said(session, clip) for clip in clips]
        ((moment, entry),) = list_moments(session, twins[1])
        assert (moment.in_frame, moment.out_frame, moment.name) == (10, 20, "=the chain")
        assert entry is not None and (entry.kind, [tag.name for tag in entry.tags]) == ("insert", ["rope"])
    assert find_clip_ids(session, other, "fahre", VOCABULARY) == [twins[1].id]
    assert find_clip_ids(session, other, "rope", VOCABULARY) == [twins[1].id]


def test_names_are_added_and_other_values_left_alone(
    session: Session, production: Production, clips: list[Clip], tmp_path: Path
) -> None:
    log(session, clips[:1], "kind=interview", "tag=Ferry,rope", "note=from the file")
    path = out(session, production, tmp_path / "log.csv")
    other, twins = twin_of(session, clips)
    log(session, twins[:1], "kind=b-roll", "tag=ferry,dusk", "size=cu")
    held = {"kind": "b-roll", "size": "cu", "note": "from the file", "tags": ["dusk", "ferry", "rope"]}
    merge, _ = merge_in(session, other, path)
    assert said(session, twins[0]) == held
    ((conflict),) = merge.conflicts
    assert (conflict.field, conflict.now, conflict.file, conflict.line) == ("kind", "b-roll", "interview", 2)
    merge, _ = merge_in(session, other, path, Prefer.CATALOGUE)
    assert (said(session, twins[0]), merge.conflicts, len(merge.kept)) == (held, [], 1)
    merge, _ = merge_in(session, other, path, Prefer.FILE)
    assert said(session, twins[0]) == held | {"kind": "interview"}


def test_an_empty_cell_takes_nothing_away(
    session: Session, production: Production, clips: list[Clip], tmp_path: Path
) -> None:
    path = out(session, production, tmp_path / "log.csv")
    log(session, clips, "kind=interview", "tag=ferry")
    merge, edit = merge_in(session, production, path, Prefer.FILE)
    assert edit is None and merge.same == 3


def test_an_import_is_one_edit_and_taken_back_whole(
    session: Session, production: Production, clips: list[Clip], tmp_path: Path
) -> None:
    fill_log(session, production, clips)
    path = out(session, production, tmp_path / "log.csv")
    other, twins = twin_of(session, clips)
    log(session, twins[:1], "size=ms", "tag=dusk")
    before = [said(session, clip) for clip in twins]
    _, edit = merge_in(session, other, path, Prefer.FILE)
    after = [said(session, clip) for clip in twins]
    assert edit is not None and (edit.author, edit.summary) == ("Ida", "import log.csv")
    assert {change.kind for change in edit.changes} == {"clip", "moment"}
    undone = undo(session, other, edit, VOCABULARY, "Ida")
    assert [said(session, clip) for clip in twins] == before
    assert list_moments(session, twins[1]) == []
    session.refresh(undone)
    undo(session, other, undone, VOCABULARY, "Ida")
    assert [said(session, clip) for clip in twins] == after
    assert len(list_moments(session, twins[1])) == 1


def test_a_dry_run_writes_nothing(
    session: Session, production: Production, clips: list[Clip], tmp_path: Path, vocabulary: Vocabulary
) -> None:
    fill_log(session, production, clips)
    path = out(session, production, tmp_path / "log.csv")
    other, twins = twin_of(session, clips)
    counts = [
        session.scalar(select(func.count()).select_from(one)) for one in (LogEntry, Tag, Moment, ChangeSet)
    ]
    merge = plan_merge(session, other, read_records(path, vocabulary), path)
    assert {(one.subject.clip, one.field) for one in merge.changes} >= {
        (twins[0].id, "kind"),
        (twins[0].id, "person"),
        (twins[1].id, "place"),
    }
    assert not session.dirty and not session.new
    assert counts == [
        session.scalar(select(func.count()).select_from(one)) for one in (LogEntry, Tag, Moment, ChangeSet)
    ]


def test_clips_that_are_not_here_are_listed_and_not_invented(
    session: Session, production: Production, clips: list[Clip], tmp_path: Path
) -> None:
    """Another content; another size with the same hash; no hash; two clips with the same content."""
    rows = [
        ("xxh128:" + "f" * 32, "1"),
        (f"xxh128:{clips[0].files[0].file.digest}", "1"),
        (f"md5:{clips[0].files[0].file.digest}", str(clips[0].files[0].file.size)),
        ("", ""),
        (f"xxh128:{clips[2].files[0].file.digest}", str(clips[2].files[0].file.size)),
    ]
    double = make_clip(session, clips[0].reel)
    double.files[0].file.digest, double.files[0].file.size = (
        clips[2].files[0].file.digest,
        clips[2].files[0].file.size,
    )
    path = tmp_path / "log.jsonl"
    lines = [{"hash": key, "bytes": size, "clip": clips[0].name, "kind": "interview"} for key, size in rows]
    path.write_text("\n".join(map(json.dumps, lines)))
    count = session.scalar(select(func.count()).select_from(Clip))
    merge, edit = merge_in(session, production, path, Prefer.FILE)
    assert edit is None and [record.line for record, _ in merge.unknown] == [1, 2, 3, 4, 5]
    assert "2 clips have the same content" in merge.unknown[4][1]
    assert session.scalar(select(func.count()).select_from(Clip)) == count
    assert session.scalar(select(func.count()).select_from(LogEntry)) == 0


def test_lines_of_one_clip_that_disagree_are_refused(
    session: Session, production: Production, clips: list[Clip], tmp_path: Path
) -> None:
    file = clips[0].files[0].file
    path = tmp_path / "log.csv"
    own = f"xxh128:{file.digest},{file.size}"
    path.write_bytes(head(f"{own},interview,,,", f"{own},,ferry,,"))
    merge_in(session, production, path)
    assert said(session, clips[0]) == {"kind": "interview", "tags": ["ferry"]}
    path.write_bytes(head(f"{own},interview,,,", f"{own},b-roll,,,"))
    with pytest.raises(FaultyFileError, match="line 3, kind: line 2 says otherwise"):
        merge_in(session, production, path)


def test_a_lens_is_one_of_the_kit_list(
    session: Session, production: Production, clips: list[Clip], tmp_path: Path
) -> None:
    lens = make_lens(session, production, "35 mm f/1.8")
    log(session, clips[:1], "lens=35 mm f/1.8")
    path = out(session, production, tmp_path / "log.csv")
    other, twins = twin_of(session, clips)
    with pytest.raises(FaultyFileError, match=r"line 2, lens: there is no lens '35 mm f/1.8'"):
        merge_in(session, other, path)
    usual, known = make_lens(session, other, "50 mm"), make_lens(session, other, lens.name)
    twins[0].lens_id, twins[0].lens_assumed = usual.id, True  # nobody said so: no conflict
    session.flush()
    merge, edit = merge_in(session, other, path)
    session.expire_all()
    assert (merge.conflicts, twins[0].lens_id, twins[0].lens_assumed) == ([], known.id, False)
    assert edit is not None
    undo(session, other, edit, VOCABULARY, "Ida")
    session.expire_all()
    assert (twins[0].lens_id, twins[0].lens_assumed) == (usual.id, True)


def test_a_moment_beyond_the_end_is_refused(
    session: Session, production: Production, clips: list[Clip], tmp_path: Path
) -> None:
    file = clips[0].files[0].file
    path = tmp_path / "log.csv"
    path.write_bytes(head(f"xxh128:{file.digest},{file.size},insert,,90,101"))
    with pytest.raises(FaultyFileError, match=r"line 2, out: .* has only 100 frames"):
        merge_in(session, production, path)


def test_a_query_chooses_the_clips(
    session: Session, production: Production, clips: list[Clip], tmp_path: Path, vocabulary: Vocabulary
) -> None:
    log(session, clips[1:], "kind=interview")
    path = out(session, production, tmp_path / "log.jsonl", "kind:interview")
    assert [one.values for one in read_records(path, vocabulary)] == [{"kind": "interview"}] * 2


def test_names_are_joined_as_the_command_takes_them() -> None:
    assert join_names(["Wren, Ada", 'say "hi"', "Tom"]) == '"Wren, Ada","say ""hi""",Tom'


def test_thousands_of_different_notes_are_merged_quickly(
    session: Session, production: Production, tmp_path: Path
) -> None:
    """A statement for each clip would take minutes at the size of a career; see the count, not the clock."""
    ids = make_many_clips(session, production, 1200)
    hashes = [f"xxh128:{key:032x}" for key in ids]
    for key in ids:
        clip = session.get_one(Clip, key)
        clip.files[0].file.digest = f"{key:032x}"
    session.flush()
    path = tmp_path / "log.jsonl"
    path.write_text(
        "\n".join(
            json.dumps({"hash": one, "bytes": 1, "note": f"note {number}", "tag": [f"tag {number % 7}"]})
            for number, one in enumerate(hashes)
        )
    )
    engine = session.get_bind()
    statements = 0

    def count(*_: object) -> None:
        nonlocal statements
        statements += 1

    event.listen(engine, "before_cursor_execute", count)
    try:
        merge, _ = merge_in(session, production, path)
    finally:
        event.remove(engine, "before_cursor_execute", count)
    assert len(merge.wanted) == 1200 and statements < 200
    assert find_clip_ids(session, production, '"note 1199"', VOCABULARY) == [ids[1199]]
