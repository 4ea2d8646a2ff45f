"""What the demo is told in words: who is on which channel, what was said, narration written to footage."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy.orm import Session

from api.cli.app import Root
from sample_media.production import Production as Sample
from sample_media.transcripts import transcript_of
from shared.catalogue.beside_edits import edit_channels
from shared.catalogue.channels import read_channel
from shared.catalogue.log import find_one_clip
from shared.catalogue.plan import put_answer, put_line, put_wish
from shared.catalogue.plan_values import line_values, wish_values
from shared.catalogue.productions import find_production
from shared.catalogue.rows import RowsEdit
from shared.catalogue.transcript_import import carry_out, plan_import
from shared.db import writing
from shared.models import AnswerState, Production
from shared.vocabulary import Vocabulary


def enter_transcripts(root: Root, sample: Sample, folder: Path) -> int:
    """Write the words of each interview as a WebVTT file, and take it in; returns how many there are."""
    folder.mkdir()
    made = 0
    with writing(root.sessions) as session:
        production = find_production(session, sample.name)
        edit = RowsEdit(session, production, "demo", "transcripts of the interviews")
        for clip in sample.clips:
            words = transcript_of(clip)
            if words is None:
                continue
            path = folder / f"{clip.reel}_{clip.stem}.vtt"
            path.write_text(words, encoding="utf-8", newline="\n")
            found = find_one_clip(session, production, f"{clip.reel}/{clip.stem}")
            carry_out(edit, plan_import(session, found, path.read_bytes(), path.name))
            made += 1
        edit.close()
    return made


def enter_channels(session: Session, production: Production, sample: Sample, vocabulary: Vocabulary) -> None:
    """Who speaks into which microphone, as somebody noted it."""
    for name, says in sample.channels:
        clip = find_one_clip(session, production, name)
        edit_channels(session, production, [clip], map(read_channel, says), vocabulary, "demo")


def write_to_footage(edit: RowsEdit, production: Production, sample: Sample, vocabulary: Vocabulary) -> None:
    """Passages of the narration that came after the shoot, each with the clip it was written to."""
    session = edit.session
    for one in sample.narration:
        line = put_line(edit, None, line_values({"beat": one.beat, "text": one.text, "picture": one.picture}))
        given = {"what": one.what, "beat": one.beat, "line": line.code}
        wish = put_wish(edit, None, wish_values(session, production, given, vocabulary))
        clip = find_one_clip(session, production, one.clip)
        put_answer(edit, wish, clip=clip, moment=None, state=AnswerState.CONFIRMED)
