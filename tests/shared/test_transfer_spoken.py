"""Transcripts taken out with the log and merged into another catalogue: whole, once, and undone."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.catalogue.editing import find_edit, undo
from shared.catalogue.log_export import export_log
from shared.catalogue.log_files import FaultyFileError, read_records, write_records
from shared.catalogue.rows import RowsEdit
from shared.catalogue.search import find_clip_ids
from shared.catalogue.transcript_edits import correct, name_speaker
from shared.catalogue.transcript_import import carry_out, plan_import
from shared.catalogue.transcript_log import VERSION, read_carried
from shared.catalogue.transcript_rows import CUE_COLUMNS
from shared.catalogue.transcripts import cues_of, transcripts_of
from shared.catalogue.transfer import Prefer
from shared.models import Clip, ClipMedia, ClipTranscript, Production
from tests.factories import make_clip, make_production, make_reel
from tests.shared.merge_support import VOCABULARY, merge_in

TALK = {
    "language": "en",
    "segments": [
        {
            "start": 1,
            "end": 3,
            "text": "The chane holds.",
            "speaker": "NELL",
            "words": [
                {"word": "The", "start": 1, "end": 1.2},
                {"word": "chane", "start": 1.2},
                {"word": "holds.", "start": 2, "end": 2.4},
            ],
        },
        {"start": 4, "end": 6, "text": "Does it?"},
    ],
}


@pytest.fixture
def clip(session: Session, production: Production) -> Clip:
    clip = make_clip(session, make_reel(session, production), frames=500)
    take_in(session, clip, TALK)
    edit = RowsEdit(session, production, "Kim", "correct")
    first, _ = cues_of(session, clip.id)
    correct(edit, first, "The chain holds.")
    name_speaker(edit, [first], "Nell Harrowby")
    edit.close()
    return clip


def take_in(session: Session, clip: Clip, talk: dict[str, Any], name: str = "talk.json") -> None:
    found = plan_import(session, clip, json.dumps(talk).encode(), name)
    edit = RowsEdit(session, clip.production, "Kim", "talk")
    carry_out(edit, found)
    edit.close()


def twin_of(session: Session, clip: Clip, **values: Any) -> Clip:
    """The same card offloaded on a second machine."""
    made = make_clip(session, make_reel(session, make_production(session)), **{"frames": 500, **values})
    made.files[0].file.digest, made.files[0].file.size = clip.files[0].file.digest, clip.files[0].file.size
    session.flush()
    return made


def out(session: Session, production: Production, to: Path) -> Path:
    records = export_log(session, production, "", VOCABULARY, spoken=to.suffix == ".jsonl")
    to.write_bytes(b"".join(write_records(to.suffix, records)))
    return to


def spoken(session: Session, clip: Clip) -> list[tuple[Any, ...]]:
    return [
        (*(getattr(cue, name) for name in CUE_COLUMNS), cue.person.name if cue.person else None)
        for cue in cues_of(session, clip.id)
    ]


def rewrite(path: Path, change: Callable[[dict[str, Any]], Any]) -> Path:
    """The file with its one transcript changed."""
    lines = [json.loads(line) for line in path.read_text().splitlines()]
    for line in lines:
        if "transcript" in line:
            change(line["transcript"])
    path.write_text("\n".join(map(json.dumps, lines)))
    return path


def test_a_transcript_goes_to_another_machine_whole(session: Session, clip: Clip, tmp_path: Path) -> None:
    twin = twin_of(session, clip)
    there = twin.production
    path = out(session, clip.production, tmp_path / "log.jsonl")
    merge, edit = merge_in(session, there, path)
    assert [(one.field, one.now, one.file) for one in merge.changes] == [
        ("transcript", "", "of talk.json: 2 cues, 1 corrected by a person")
    ]
    assert spoken(session, twin) == spoken(session, clip)
    (here,), (gone,) = transcripts_of(session, twin.id), transcripts_of(session, clip.id)
    for name in ("part", "offset_frames", "language", "file_name", "file_hash", "origin"):
        assert getattr(here, name) == getattr(gone, name)
    assert find_clip_ids(session, there, 'says:"chain holds"', VOCABULARY) == [twin.id]
    assert find_clip_ids(session, there, 'person:"Nell Harrowby"', VOCABULARY) == [twin.id]

    again, nothing = merge_in(session, there, path)
    assert nothing is None and again.same == 2 and not again.changes
    assert (
        out(session, there, tmp_path / "back.jsonl").read_text().splitlines()[1].partition('"transcript"')[2]
        == path.read_text().splitlines()[1].partition('"transcript"')[2]
    )

    assert edit is not None
    undo(session, there, edit, VOCABULARY, "Ida")
    assert cues_of(session, twin.id) == [] and not transcripts_of(session, twin.id)


def test_a_table_has_no_place_for_one(session: Session, clip: Clip, tmp_path: Path) -> None:
    path = out(session, clip.production, tmp_path / "log.csv")
    assert "chain" not in path.read_text() and len(read_records(path, VOCABULARY)) == 1


def test_another_transcript_there_stays_until_somebody_decides(
    session: Session, clip: Clip, tmp_path: Path
) -> None:
    twin = twin_of(session, clip)
    take_in(session, twin, {"segments": [{"start": 0, "end": 1, "text": "Something else."}]}, "other.json")
    standing = spoken(session, twin)
    path = out(session, clip.production, tmp_path / "log.jsonl")
    left, nothing = merge_in(session, twin.production, path)
    (conflict,) = left.conflicts
    assert nothing is None and conflict.now == "of other.json: 1 cues, 0 corrected by a person"
    kept, _ = merge_in(session, twin.production, path, Prefer.CATALOGUE)
    assert len(kept.kept) == 1 and spoken(session, twin) == standing
    _, edit = merge_in(session, twin.production, path, Prefer.FILE)
    assert edit is not None and spoken(session, twin) == spoken(session, clip)
    undo(session, twin.production, find_edit(session, twin.production, "Ida", edit.id), VOCABULARY, "Ida")
    assert spoken(session, twin) == standing


def test_the_case_of_a_name_is_no_difference(session: Session, clip: Clip, tmp_path: Path) -> None:
    path = out(session, clip.production, tmp_path / "log.jsonl")
    rewrite(path, lambda said: said["cues"][0].update(person="NELL harrowby"))
    merge, _ = merge_in(session, clip.production, path)
    assert not merge.changes and not merge.conflicts


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (
            lambda said: said.update(version=VERSION + 1),
            f"version {VERSION + 1} of a transcript is",
        ),
        (lambda said: said.pop("version"), "version null of a transcript is not known"),
        (lambda said: said.update(version=True), "version true"),
        (lambda said: said.update(colour=1), "a transcript has no field 'colour'"),
        (lambda said: said.update(offset=-1), "offset of the transcript must be a whole number"),
        (lambda said: said.update(origin="guessed"), "origin must be one of imported, recognised"),
        (lambda said: said.update(cues=[]), "there are no cues"),
        (lambda said: said.update(cues=[5]), "cue 1 must be an object"),
        (lambda said: said.update(language="x" * 65), "language of the transcript"),
        (lambda said: said["cues"][1].update(end=100), "cue 2 ends before it begins"),
        (lambda said: said["cues"][1].update(start=1.5), "start of cue 2 must be a whole number"),
        (lambda said: said["cues"][1].update(text=" "), "text of cue 2"),
        (lambda said: said["cues"][1].update(text="\0"), "text of cue 2 holds a control character"),
        (lambda said: said["cues"][1].update(corrected=1), "corrected of cue 2"),
        (lambda said: said["cues"][0]["words"][0].__setitem__(2, 9999), "the words of cue 1"),
        (lambda said: said["cues"][0]["words"][0].pop(), "the words of cue 1"),
        (lambda said: said["cues"][1].update(end=501), "has only 500 frames, and words end at 501"),
        (lambda said: said.update(part=2), "there is no part 2: the clip has 1 file"),
        (lambda said: said.update(offset=7), "begins at frame 0, not 7"),
    ],
)
def test_what_is_no_transcript_changes_nothing(
    session: Session, clip: Clip, tmp_path: Path, change: Callable[[dict[str, Any]], Any], message: str
) -> None:
    twin = twin_of(session, clip)
    path = rewrite(out(session, clip.production, tmp_path / "log.jsonl"), change)
    with pytest.raises(FaultyFileError) as raised:
        merge_in(session, twin.production, path)
    (fault,) = raised.value.faults
    assert fault.place == "line 2, transcript" and message in fault.message
    assert not session.scalars(select(ClipTranscript).where(ClipTranscript.clip_id == twin.id)).all()


def test_words_are_of_no_photograph_and_a_clip_has_one_whole_or_parts(
    session: Session, clip: Clip, tmp_path: Path
) -> None:
    path = out(session, clip.production, tmp_path / "log.jsonl")
    still = twin_of(session, clip, media=ClipMedia.IMAGE, frames=None, rate_num=None, rate_den=None)
    with pytest.raises(FaultyFileError, match="nobody speaks in a photograph"):
        merge_in(session, still.production, path)
    lines = path.read_text().splitlines()
    other = json.loads(lines[1])
    other["transcript"]["part"] = 1
    twin = twin_of(session, clip)
    path.write_text("\n".join([*lines, json.dumps(other)]))
    with pytest.raises(FaultyFileError, match="one transcript of the whole or one of each part"):
        merge_in(session, twin.production, path)
    other["transcript"] |= {"part": 0, "language": "de"}
    path.write_text("\n".join([*lines, json.dumps(other)]))
    with pytest.raises(FaultyFileError, match="line 2 says otherwise of the same clip"):
        merge_in(session, twin.production, path)
    other["note"] = "x"
    path.write_text(json.dumps(other))
    with pytest.raises(FaultyFileError, match="it stands on a line of its own"):
        merge_in(session, twin.production, path)


_TEXT = st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=9).filter(str.strip)
_CUES = st.lists(
    st.fixed_dictionaries(
        {
            "start": st.integers(0, 9),
            "end": st.integers(10, 10**15),
            "start_us": st.integers(0, 5),
            "end_us": st.integers(5, 9),
            "text": _TEXT,
        },
        optional={
            "speaker": _TEXT | st.just(""),
            "person": _TEXT,
            "corrected": st.booleans(),
            "words": st.lists(
                st.tuples(_TEXT, st.just(9), st.integers(9, 10), st.none(), st.integers(0, 4)).map(list)
            ),
        },
    ),
    min_size=1,
    max_size=4,
)


@given(_CUES)
def test_what_is_written_is_read_as_the_same(cues: list[dict[str, Any]]) -> None:
    said = {"version": VERSION, "part": 0, "offset": 3, "origin": "imported", "cues": cues}
    carried = read_carried(said)
    assert read_carried(json.loads(carried.text)) == carried
    rows = carried.values["cues"]
    assert sorted(row["text"] for row in rows) == sorted(cue["text"] for cue in cues)
    assert [row["start_frame"] for row in rows] == sorted(cue["start"] for cue in cues)
