"""`transcript`: what is said in clips, taken in from files, corrected, and written out again."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Annotated, Any

import typer
from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from api.cli.app import print_json, print_table, root_of
from api.cli.options import AsJson, Production
from api.cli.transcript_files import Asked, add_files
from api.handover.text import one_line
from api.handover.words import FORMATS, write_words
from shared import models
from shared.catalogue.naming import find_one_clip
from shared.catalogue.rows import RowsEdit
from shared.catalogue.transcript_edits import (
    correct,
    cues_spoken_by,
    name_speaker,
    remove_transcript,
)
from shared.catalogue.transcript_files import shown
from shared.catalogue.transcripts import cues_of, find_cue, is_unsure, speaker_name, transcripts_of
from shared.db import reading, writing
from shared.errors import (
    ConflictError,
    DestinationError,
    NotFoundError,
    UsageError,
)


def register(app: typer.Typer) -> None:
    app.command("transcript")(transcript)


def transcript(
    context: typer.Context,
    action: Annotated[
        str,
        typer.Argument(
            help="list, show CLIP, add FILE…, write CLIP [FILE], name SPEAKER PERSON, "
            "correct CUE TEXT or remove CLIP."
        ),
    ] = "list",
    words: Annotated[
        list[str] | None,
        typer.Argument(metavar="[WORDS…]", help="Files or folders to add, a clip, a speaker and a person."),
    ] = None,
    clip: Annotated[
        str | None, typer.Option("--clip", help="The clip that one file is of, where its name does not say.")
    ] = None,
    part: Annotated[
        int | None, typer.Option("--part", min=0, help="Which of a spanning clip's files; 0: the whole clip.")
    ] = None,
    language: Annotated[str, typer.Option("--language", help="As en or de-AT; else as the file says.")] = "",
    encoding: Annotated[
        str | None, typer.Option("--encoding", help="Of the file, where it is not UTF-8: windows-1252.")
    ] = None,
    cue: Annotated[int | None, typer.Option("--cue", help="Name the speaker of this cue alone.")] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Take the place of the transcript that is there.")
    ] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what would change, and change nothing.")
    ] = False,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """What is said in clips: add transcripts, name who speaks, correct, write out as WebVTT, SRT or text."""
    carry = _ACTIONS.get(action)
    if carry is None:
        raise UsageError(f"a transcript can't {action[:40]!r}", remedy=f"There are: {', '.join(_ACTIONS)}.")
    carry(
        Asked(
            root_of(context), tuple(words or ()), production, clip, part, language, encoding, cue, replace,
            dry_run, as_json,
        )
    )  # fmt: skip


# -- the others -------------------------------------------------------------------------------------


def _one_clip(asked: Asked, session: Session, *, words: int = 1) -> models.Clip:
    if not 1 <= len(asked.words) <= words:
        raise UsageError("name one clip", remedy="rushlight transcript show A001/C0001")
    return find_one_clip(session, asked.root.production(session, asked.production), asked.words[0])


def _with_words(session: Session, clip: models.Clip) -> list[models.ClipTranscript]:
    found = transcripts_of(session, clip.id)
    if not found:
        raise NotFoundError(
            "it has no transcript", path=clip.name, remedy="Add one: rushlight transcript add FILE."
        )
    return found


def _list(asked: Asked) -> None:
    counts = select(func.count(), func.count(case((models.ClipCue.corrected, 1)))).select_from(models.ClipCue)
    with reading(asked.root.sessions) as session:
        found = asked.root.production(session, asked.production)
        rows = []
        for row in session.scalars(
            select(models.ClipTranscript)
            .join(models.Clip, models.Clip.id == models.ClipTranscript.clip_id)
            .where(models.Clip.production_id == found.id)
            .order_by(models.ClipTranscript.clip_id, models.ClipTranscript.part)
        ):
            mine = models.ClipCue.transcript_id == row.id
            cues, corrected = session.execute(counts.where(mine)).one()
            names = session.scalars(select(models.ClipCue.speaker).where(mine).distinct())
            people = session.scalars(
                select(models.Person.name)
                .join(models.ClipCue, models.ClipCue.person_id == models.Person.id)
                .where(mine)
                .distinct()
            )
            rows.append(
                {
                    "clip": row.clip_id,
                    "reel": row.clip.reel.name,
                    "name": row.clip.name,
                    "part": row.part,
                    "language": row.language,
                    "file": row.file_name,
                    "origin": row.origin.value,
                    "cues": cues,
                    "corrected": corrected,
                    "speakers": sorted(set(names) - {""}),
                    "people": sorted(people),
                }
            )
    if asked.as_json:
        print_json(rows)
    elif rows:
        heads = ("clip", "part", "language", "cues", "corrected", "people", "from")
        print_table(asked.root, heads, [_cells(row) for row in rows], right=0b11010)
    else:
        asked.root.out.print("no transcript yet: rushlight transcript add FILE", markup=False)


def _cells(row: dict[str, Any]) -> tuple[str, ...]:
    people = ", ".join(map(one_line, row["people"] or row["speakers"]))
    return (
        one_line(f"{row['reel']}/{row['name'].rpartition('/')[2]}"),
        str(row["part"] or ""),
        one_line(row["language"]),
        str(row["cues"]),
        str(row["corrected"]),
        people,
        one_line(row["file"]),
    )


def _show(asked: Asked) -> None:
    with reading(asked.root.sessions) as session:
        clip = _one_clip(asked, session)
        _with_words(session, clip)
        cues = cues_of(session, clip.id)
        start = clip.start_timecode
        rows = [
            {
                "id": cue.id,
                "start": cue.start_frame,
                "end": cue.end_frame,
                "timecode": str(start + cue.start_frame) if start is not None else None,
                "speaker": cue.speaker,
                "person": cue.person.name if cue.person is not None else None,
                "text": cue.text,
                "corrected": cue.corrected,
                "confidence_mean": cue.confidence_mean,
                "confidence_least": cue.confidence_least,
                "unsure": is_unsure(cue),
            }
            for cue in cues
        ]
        lines = [
            (
                str(cue.id),
                str(start + cue.start_frame) if start is not None else str(cue.start_frame),
                one_line(speaker_name(cue)),
                one_line(cue.text) + (" (unsure)" if is_unsure(cue) else ""),
            )
            for cue in cues
        ]
    if asked.as_json:
        print_json({"clip": clip.id, "name": clip.name, "cues": rows})
    else:
        print_table(asked.root, ("cue", "begins", "who", "says"), lines, right=0b1)


def _write(asked: Asked) -> None:
    file = Path(asked.words[1]) if len(asked.words) > 1 else None
    form = "webvtt" if file is None else FORMATS.get(file.suffix.lower(), "")
    if not form:
        raise UsageError(
            "the file's name does not say which format", remedy=f"End it in {', '.join(FORMATS)}."
        )
    with reading(asked.root.sessions) as session:
        clip = _one_clip(asked, session, words=2)
        (first, *_) = _with_words(session, clip)
        text = write_words(form, clip, cues_of(session, clip.id), first.language)
    if file is None:
        typer.echo(text, nl=False)
        return
    try:
        with file.open("x", encoding="utf-8", newline="\n") as out:
            out.write(text)
    except FileExistsError:
        raise ConflictError(
            "this is there already, and nothing is written over", path=shown(file), remedy="Name another."
        ) from None
    except OSError as error:
        raise DestinationError(
            f"can't be written: {error.strerror}", path=shown(file), remedy="Choose another folder."
        ) from error
    asked.root.out.print(f"{shown(file)}: {one_line(clip.name)}", markup=False)


def _name(asked: Asked) -> None:
    if len(asked.words) != (1 if asked.cue is not None else 2):
        raise UsageError(
            "name a speaker and a person",
            remedy='rushlight transcript name NELL "Nell Harrowby", or: name "Nell Harrowby" --cue 12.',
        )
    person = asked.words[-1]
    with writing(asked.root.sessions) as session:
        found = asked.root.production(session, asked.production)
        edit = RowsEdit(session, found, asked.root.author, f"transcript name {' '.join(asked.words)}")
        if asked.cue is not None:
            cues: Sequence[models.ClipCue] = [find_cue(session, found, asked.cue)]
        else:
            cues = cues_spoken_by(edit, asked.words[0])
        changed = name_speaker(edit, cues, person)
        if asked.dry_run:
            session.rollback()
        else:
            edit.close()
    _report(asked, {"cues": len(cues), "changed": changed}, f"{changed} of {len(cues)} cues: {person}")


def _correct(asked: Asked) -> None:
    if len(asked.words) < 2 or not asked.words[0].isdigit():
        raise UsageError(
            "name a cue and its words", remedy='rushlight transcript correct 12 "The chain holds."'
        )
    with writing(asked.root.sessions) as session:
        found = asked.root.production(session, asked.production)
        edit = RowsEdit(session, found, asked.root.author, f"transcript correct {asked.words[0]}")
        cue = correct(edit, find_cue(session, found, int(asked.words[0])), " ".join(asked.words[1:]))
        said = cue.text
        if asked.dry_run:
            session.rollback()
        else:
            edit.close()
    _report(asked, {"cue": int(asked.words[0]), "text": said}, f"cue {asked.words[0]}: {said}")


def _remove(asked: Asked) -> None:
    with writing(asked.root.sessions) as session:
        clip = _one_clip(asked, session)
        gone = [one for one in _with_words(session, clip) if asked.part in (None, one.part)]
        if not gone:
            raise NotFoundError(
                f"no transcript of part {asked.part}", path=clip.name, remedy="rushlight transcript list"
            )
        edit = RowsEdit(session, clip.production, asked.root.author, f"transcript remove {clip.name}")
        for one in gone:
            remove_transcript(edit, one)
        if asked.dry_run:
            session.rollback()
        else:
            edit.close()
    said = f"removed {len(gone)} of {one_line(clip.name)}; `rushlight undo` brings them back"
    _report(asked, {"clip": clip.id, "removed": len(gone)}, said)


def _report(asked: Asked, values: dict[str, Any], said: str) -> None:
    if asked.as_json:
        print_json(values | {"dry_run": asked.dry_run})
    else:
        asked.root.out.print(
            one_line(said) + (". Nothing was written." if asked.dry_run else ""), markup=False
        )


_ACTIONS: dict[str, Callable[[Asked], None]] = {
    "list": _list,
    "show": _show,
    "add": add_files,
    "write": _write,
    "name": _name,
    "correct": _correct,
    "remove": _remove,
}
