"""`log`: say what clips are, one at a time or all that a query finds."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import typer
from sqlalchemy.orm import Session

from api.cli.app import Root, print_table, root_of
from api.cli.options import Production
from shared.catalogue.beside_edits import edit_channels
from shared.catalogue.channels import is_channel, read_channel
from shared.catalogue.editing import edit_clips
from shared.catalogue.log import find_one_clip, parse_assignments, production_vocabulary
from shared.catalogue.pairs import name_of
from shared.catalogue.search import find_clip_ids
from shared.catalogue.suggestions import accept_suggestions, open_suggestions
from shared.db import reading, writing
from shared.errors import NotFoundError, UsageError
from shared.models import Clip
from shared.vocabulary import Vocabulary, load_vocabulary

PREVIEWED = 10  # clips that are named before many are changed


def register(app: typer.Typer) -> None:
    app.command("log")(log)
    app.command("terms")(terms)


def log(
    context: typer.Context,
    words: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[CLIP] field=value…",
            help='kind=interview size=mcu person=… tag+=… note=… ch1=lav:"Ada Wren"',
        ),
    ] = None,
    where: Annotated[str | None, typer.Option("--where", help="Log every clip this query finds.")] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="With --where or --accept: do it, do not only show.")
    ] = False,
    accept: Annotated[
        str | None, typer.Option("--accept", help="Take over what measuring suggests for this query's clips.")
    ] = None,
    least: Annotated[
        float, typer.Option("--least", min=0, max=1, help="With --accept: the least confidence, 0 to 1.")
    ] = 0.6,
    production: Production = None,
) -> None:
    """Log a clip (its name, REEL/name or #id), or with --where every clip a query finds."""
    root = root_of(context)
    words = words or []
    if accept is not None:
        if words or where is not None:
            raise UsageError(
                "--accept takes a query and nothing else", remedy="rushlight log --accept 'day:2' --yes"
            )
        _accept(root, accept, least, yes, production)
        return
    base = load_vocabulary()
    clip_words = [word for word in words if "=" not in word]
    assignments = [word for word in words if "=" in word]
    if not assignments:
        raise UsageError(
            "nothing to log", remedy="Give field=value, such as kind=interview; see `rushlight terms`."
        )
    if (where is None) != (len(clip_words) == 1):
        raise UsageError(
            "name one clip, or use --where with a query",
            remedy="rushlight log A001/C0001 kind=interview, or: rushlight log --where 'day:2' kind=b-roll",
        )
    with writing(root.sessions) as session:
        found = root.production(session, production)
        vocabulary = production_vocabulary(session, found, base)
        channels = [read_channel(word) for word in assignments if is_channel(word)]
        fields = [word for word in assignments if not is_channel(word)]
        changes = parse_assignments(fields, vocabulary) if fields else ()
        if where is not None:
            ids = find_clip_ids(session, found, where, vocabulary)
            if not ids:
                raise NotFoundError(f"no clip is found by {where!r}", remedy="Try it with `rushlight find`.")
            if not yes:
                _preview(root, session, ids)
                return
        else:
            ids = [find_one_clip(session, found, clip_words[0]).id]
        count = len(set(ids))
        edit, typed = None, _typed(where, assignments)
        if changes:
            count, edit = edit_clips(session, found, ids, changes, vocabulary, root.author, typed)
        if channels:
            clips = [session.get_one(Clip, key) for key in ids]
            edit_channels(session, found, clips, channels, vocabulary, root.author, summary=typed, into=edit)
    root.out.print(f"logged {count} clip{'' if count == 1 else 's'}")


def _preview(root: Root, session: Session, ids: Sequence[int]) -> None:
    for key in ids[:PREVIEWED]:
        root.out.print(f"  {name_of(session.get_one(Clip, key))}", markup=False)
    if len(ids) > PREVIEWED:
        root.out.print(f"  and {len(ids) - PREVIEWED} more", markup=False)
    root.out.print(f"{len(ids)} clips would be changed. Say --yes to do it.", markup=False)


def _accept(root: Root, query: str, least: float, yes: bool, production: str | None) -> None:
    """Show what is suggested for fields that nobody has filled, or take it over as one edit."""
    with writing(root.sessions) as session:
        found = root.production(session, production)
        vocabulary = production_vocabulary(session, found, load_vocabulary())
        ids = find_clip_ids(session, found, query, vocabulary)
        chosen = open_suggestions(session, ids, least)
        if not yes:
            rows = [
                (
                    f"{one.clip.reel.name}/{one.clip.name}",
                    f"{one.suggestion.field}={one.suggestion.value}",
                    f"{one.suggestion.confidence:.2f}",
                    one.suggestion.reason,
                )
                for one in chosen
            ]
            if rows:
                print_table(root, ("clip", "suggested", "sure", "because"), rows)
        else:
            said = f"suggestions accepted: {query}".rstrip(": ")
            accept_suggestions(session, found, chosen, vocabulary, root.author, said)
    count = f"{len(chosen)} suggestion{'' if len(chosen) == 1 else 's'}"
    root.out.print(f"{count} accepted" if yes else f"{count}. Say --yes to take them over.", markup=False)


def _typed(where: str | None, fields: list[str]) -> str:
    """What was asked for, as the journal keeps it."""
    return " ".join(fields) if where is None else f"where {where!r}: {' '.join(fields)}"


def terms(
    context: typer.Context,
    field: Annotated[str | None, typer.Argument(help="A field; without it all fields.")] = None,
    production: Production = None,
) -> None:
    """List the words the log knows, with their meanings."""
    root = root_of(context)
    vocabulary: Vocabulary = load_vocabulary()
    with reading(root.sessions) as session:
        try:
            vocabulary = production_vocabulary(session, root.production(session, production), vocabulary)
        except NotFoundError:
            if production is not None:
                raise
    for name in [field] if field is not None else vocabulary.fields():
        root.out.print(name, style="bold", markup=False)
        for term in vocabulary.terms(name):
            root.out.print(f"  {term.code:<18} {term.label}: {term.definition}", markup=False)
