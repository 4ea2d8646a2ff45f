"""`recognise`: have this machine listen to clips and write down what it understands."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from api.cli.app import Root, print_json, root_of
from api.cli.kit import AsJson, Production
from shared.catalogue.clip_rows import clip_seconds
from shared.catalogue.log import find_one_clip
from shared.catalogue.pairs import EssencePart, essence_parts, name_of
from shared.catalogue.rows import RowsEdit
from shared.catalogue.transcript_import import carry_out, plan_import
from shared.catalogue.transcripts import frames_a_second, transcripts_of
from shared.db import reading, writing
from shared.errors import EXIT_PARTIAL, ConflictError, DestinationError, MediaError, UsageError
from shared.models import Clip, FileRole, TranscriptOrigin
from shared.transcripts import Cue, Word, write_webvtt
from shared.transcripts.spoken_json import group_words

if TYPE_CHECKING:
    from ingest.speech.model import SpeechModel
    from ingest.speech.recognise import HeardWord

_MICRO = 1_000_000
CAUTION = "A machine wrote these words: read them against the sound before anybody is quoted."


@dataclass(frozen=True, slots=True)
class _Asked:
    """A clip apart from any session."""

    id: int
    name: str
    seconds: Fraction
    parts: tuple[EssencePart, ...]
    digests: tuple[str, ...]


def register(app: typer.Typer) -> None:
    app.command("recognise")(recognise)


def recognise(
    context: typer.Context,
    clips: Annotated[list[str], typer.Argument(help="Their names, REEL/name or #id.")],
    model: Annotated[Path, typer.Option("--model", help="The folder of the speech model.")],
    to: Annotated[
        Path | None,
        typer.Option("--to", help="Also write a WebVTT and a JSON file of each clip's words to this folder."),
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Take the place of a transcript that the clip has.")
    ] = False,
    language: Annotated[str, typer.Option("--language", help="Of the words, such as en.")] = "",
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """Listen to clips on this machine and keep their words with times. Run again, it goes on."""
    from ingest.speech.model import find_model  # needs the extra
    from ingest.speech.recognise import check_recogniser, forget

    root = root_of(context)
    by = check_recogniser()
    found = find_model(model)
    if to is not None and not to.is_dir():
        raise UsageError("there is no such folder", path=str(to), remedy="Make it first.")
    asked = _read(root, clips, production, replace=replace)
    done: list[dict[str, Any]] = []
    problems: list[str] = []
    for one in asked:
        try:
            words = _listen(root, one, found)
        except MediaError as error:
            problems.append(f"{one.name}: {error}")
            continue
        if words:
            whole = _as_json(one, words, by)
            if to is not None:
                _write(to, one, words, whole, by)
            _store(root, one, whole, language, production, replace=replace)
        forget(one.digests, found, root.settings)
        done.append({"clip": one.name, "clip_id": one.id, "words": len(words)})
    _tell(root, done, problems, by, as_json=as_json)


def _tell(
    root: Root, done: Sequence[dict[str, Any]], problems: Sequence[str], by: str, *, as_json: bool
) -> None:
    if as_json:
        print_json({"clips": list(done), "problems": list(problems), "by": by})
    else:
        for line in done:
            said = f"{line['words']} words" if line["words"] else "nobody was understood; nothing is kept"
            root.out.print(f"{line['clip']}: {said}", markup=False)
        if any(line["words"] for line in done):
            root.out.print(CAUTION, markup=False)
        for problem in problems:
            root.err.print(f"not recognised: {problem}", markup=False)
    if problems:
        raise typer.Exit(EXIT_PARTIAL)


def _store(
    root: Root, one: _Asked, whole: str, language: str, production: str | None, *, replace: bool
) -> None:
    """Keep the words as the clip's transcript, marked as recognised; through the journal."""
    with writing(root.sessions) as session:
        found = root.production(session, production)
        clip = session.get_one(Clip, one.id)
        planned = plan_import(
            session,
            clip,
            whole.encode(),
            f"{_stem(one)}.json",
            language=language,
            origin=TranscriptOrigin.RECOGNISED,
        )
        edit = RowsEdit(session, found, root.author, f"recognise {one.name}")
        carry_out(edit, planned, replace=replace)
        edit.close()


def _read(root: Root, names: Sequence[str], production: str | None, *, replace: bool) -> list[_Asked]:
    """Raises ConflictError for a clip that has a transcript: asked before hours of listening, not after."""
    with reading(root.sessions) as session:
        found = root.production(session, production)
        rows = list(dict.fromkeys(find_one_clip(session, found, name) for name in names))
        for clip in rows:
            frames_a_second(clip)  # raises for what no word can be tied to
            if not replace and transcripts_of(session, clip.id):
                raise ConflictError(
                    "the clip has a transcript already",
                    path=name_of(clip),
                    remedy="Say --replace to put the recognised words in its place; an undo brings it back.",
                )
        return [
            _Asked(
                clip.id,
                name_of(clip),
                clip_seconds(clip) or Fraction(0),
                essence_parts(session, clip),
                tuple(_digests(clip)),
            )
            for clip in rows
        ]


def _digests(clip: Clip) -> list[str]:
    """What the clip's sound is made of: hashes, or where a file has none its number in the catalogue."""
    files = [row.file for row in clip.files if row.role is FileRole.ESSENCE]
    return [f"{file.algorithm}:{file.digest}" if file.digest else f"file {file.id}" for file in files]


def _listen(root: Root, one: _Asked, model: SpeechModel) -> tuple[HeardWord, ...]:
    from ingest.sound.syncing import recording_of
    from ingest.speech.recognise import recognise as listen

    recording = recording_of(one.name, one.parts, one.seconds)
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=root.err, transient=True) as bar:
        task = bar.add_task(f"listening to {one.name}", total=float(one.seconds))

        def say(seconds: Fraction) -> None:
            bar.update(task, completed=float(seconds))

        return listen(recording, one.digests, model, root.settings, say)


def cues_of(words: Sequence[HeardWord]) -> list[Cue]:
    """Cues of at most a dozen words, a new one after each pause."""
    return group_words([Word(word.start, word.end, word.text) for word in words])


def _as_json(one: _Asked, words: Sequence[HeardWord], by: str) -> str:
    """Words with times in seconds, as recognisers commonly write them, and how sure it was of each."""
    listed = [
        {
            "start": word.start / _MICRO,
            "end": word.end / _MICRO,
            "word": word.text,
            "confidence": round(word.confidence, 4),
        }
        for word in words
    ]
    whole = {"clip": one.name, "by": by, "recognised": True, "words": listed}
    return json.dumps(whole, ensure_ascii=False, indent=1) + "\n"


def _stem(one: _Asked) -> str:
    return "".join(c if c.isalnum() or c in "-_." else "_" for c in one.name)


def _write(to: Path, one: _Asked, words: Sequence[HeardWord], whole: str, by: str) -> None:
    """Both files of a clip, never over anything. Raises ConflictError, DestinationError."""
    note = f"{one.name}, recognised by {by}. {CAUTION}"
    _write_new(to / f"{_stem(one)}.vtt", write_webvtt(cues_of(words), note=note))
    _write_new(to / f"{_stem(one)}.json", whole)


def _write_new(path: Path, content: str) -> None:
    try:
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
    except FileExistsError:
        raise ConflictError(
            "there is such a file already", path=str(path), remedy="Move it away, or name another folder."
        ) from None
    except OSError as error:
        path.unlink(missing_ok=True)
        raise DestinationError(f"it can't be written ({error.strerror})", path=str(path)) from error
