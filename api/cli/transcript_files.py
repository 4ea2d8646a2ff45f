"""`transcript add`: files of timed words, each to the clip that it is of."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import typer

from api.cli.app import Root, print_json
from api.handover.text import one_line
from shared import models
from shared.catalogue.naming import find_one_clip
from shared.catalogue.rows import RowsEdit
from shared.catalogue.transcript_files import Matched, list_files, match_files, read_file, shown
from shared.catalogue.transcript_import import Import, carry_out, plan_import, say_standing
from shared.db import reading, writing
from shared.errors import EXIT_ERROR, EXIT_PARTIAL, AppError, UsageError


@dataclass(frozen=True, slots=True)
class Asked:
    """What was typed, whichever of the actions it is for."""

    root: Root
    words: tuple[str, ...]
    production: str | None
    clip: str | None
    part: int | None
    language: str
    encoding: str | None
    cue: int | None
    replace: bool
    dry_run: bool
    as_json: bool


def add_files(asked: Asked) -> None:
    """Take in files, each as a change of its own. Leaves with 3 when some could not be taken, 1 when none."""
    if not asked.words:
        raise UsageError("no file is named", remedy="rushlight transcript add TALK.vtt, or a folder of them.")
    paths = list_files(map(Path, asked.words))
    if asked.clip is not None and len(paths) != 1:
        raise UsageError("--clip is for one file", remedy="Name several files as their clips.")
    with reading(asked.root.sessions) as session:
        found = asked.root.production(session, asked.production)
        if asked.clip is not None:
            matched = [Matched(paths[0], find_one_clip(session, found, asked.clip), asked.part or 0)]
        else:
            matched = match_files(session, found, paths)
    done = [_add_one(asked, one) for one in matched]
    failed = sum(row["state"] in ("unmatched", "refused") for row, _ in done)
    if asked.as_json:
        print_json({"dry_run": asked.dry_run, "files": [row for row, _ in done]})
    else:
        for _, said in done:
            asked.root.out.print(said, markup=False)
        if asked.dry_run:
            asked.root.out.print("Nothing was written.", markup=False)
    if failed:
        raise typer.Exit(EXIT_ERROR if failed == len(done) else EXIT_PARTIAL)


def _add_one(asked: Asked, one: Matched) -> tuple[dict[str, Any], str]:
    """Each file is a change of its own: one that is refused does not hold up the others."""
    row: dict[str, Any] = {"file": shown(one.path), "state": "unmatched", "clip": None}
    if one.clip is None:
        assert one.problem is not None
        return row | _problem(one.problem), f"not added: {one.problem}"
    try:
        content = read_file(one.path)
        with reading(asked.root.sessions) if asked.dry_run else writing(asked.root.sessions) as session:
            clip = session.get_one(models.Clip, one.clip.id)
            wanted = plan_import(
                session,
                clip,
                content,
                shown(Path(one.path.name)),
                part=asked.part if asked.part is not None else one.part,
                language=asked.language,
                encoding=asked.encoding,
            )
            state = _state(asked, wanted)
            if state not in ("same", "refused") and not asked.dry_run:
                edit = RowsEdit(
                    session, clip.production, asked.root.author, f"transcript add {wanted.file_name}"
                )
                carry_out(edit, wanted, replace=asked.replace)
                edit.close()
            return row | _as_json(wanted, state), _say(wanted, state)
    except AppError as error:
        return row | {"state": "refused"} | _problem(error), f"not added: {error}"


def _state(asked: Asked, wanted: Import) -> str:
    if wanted.same:
        return "same"
    if not wanted.standing:
        return "new"
    return "replaced" if asked.replace else "refused"


def _as_json(wanted: Import, state: str) -> dict[str, Any]:
    return {
        "state": state,
        "clip": wanted.clip.id,
        "name": wanted.clip.name,
        "part": wanted.part,
        "language": wanted.language,
        "cues": len(wanted.cues),
        "speakers": list(wanted.speakers),
        "warnings": list(wanted.warnings),
        "standing": [
            {
                "file": one.transcript.file_name,
                "part": one.transcript.part,
                "cues": one.cues,
                "corrected": one.corrected,
                "named": one.named,
            }
            for one in wanted.standing
        ],
    }


def _problem(error: AppError) -> dict[str, Any]:
    return {"problem": error.message, "remedy": error.remedy}


def _say(wanted: Import, state: str) -> str:
    name = one_line(wanted.clip.name)
    part = f", part {wanted.part}" if wanted.part else ""
    if state == "same":
        return f"{wanted.file_name}: the same as {name}{part} has; nothing changed"
    counted = f"{len(wanted.cues)} cues"
    lines = [f"{wanted.file_name} → {name}{part}: {counted}"]
    if state == "refused":
        lines = [
            f"not added: {wanted.file_name}: {name} has a transcript, {say_standing(wanted.standing)}. "
            "To put this one in its place: --replace."
        ]
    elif state == "replaced":
        lines[0] += f", in place of one {say_standing(wanted.standing)}"
    return "\n".join([*lines, *(f"  {warning}" for warning in wanted.warnings)])
