"""`export` and `import`: the log as a table, and one from elsewhere merged into the catalogue."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import suppress
from itertools import chain
from pathlib import Path
from typing import Annotated, Any

import typer

from api.cli.app import Root, print_json, print_table, root_of
from api.cli.options import AsJson, Production
from api.cli.query_words import QueryCommand, join_query
from shared.catalogue.log import production_vocabulary
from shared.catalogue.log_export import export_log
from shared.catalogue.log_files import Record, Value, check_format, join_names, read_records, write_records
from shared.catalogue.merging import apply_merge
from shared.catalogue.transfer import Difference, Merge, Prefer, plan_merge
from shared.db import reading, writing
from shared.errors import EXIT_PARTIAL, ConflictError, DestinationError
from shared.vocabulary import load_vocabulary

MOST_SHOWN = 40


def register(app: typer.Typer) -> None:
    options = {"ignore_unknown_options": True}
    app.command("export", cls=QueryCommand, context_settings=options)(export)
    app.command("import")(import_log)


def export(
    context: typer.Context,
    to: Annotated[Path, typer.Argument(help="The file to make: NAME.csv or NAME.jsonl.")],
    query: Annotated[
        list[str] | None, typer.Argument(help="Which clips, as for `find`; nothing: every clip.")
    ] = None,
    production: Production = None,
) -> None:
    """Write the log to a table: a line for each clip and each of its moments, and in JSON each transcript."""
    root = root_of(context)
    kind = check_format(to)
    with reading(root.sessions) as session:
        found = root.production(session, production)
        vocabulary = production_vocabulary(session, found, load_vocabulary())
        records = export_log(session, found, join_query(query), vocabulary, spoken=kind == ".jsonl")
        first = next(records, None)  # a query that can't be read makes no file
        counted = _Counted(() if first is None else chain((first,), records))
        try:
            file = to.open("xb")
        except FileExistsError:
            raise ConflictError(
                "this is there already, and nothing is written over",
                path=str(to),
                remedy="Name another file.",
            ) from None
        except OSError as error:
            raise _cannot_write(to, error) from error
        try:
            with file:
                for piece in write_records(kind, counted):
                    file.write(piece)
        except BaseException as error:
            with suppress(OSError):
                to.unlink()  # ours, and not whole
            if isinstance(error, OSError):
                raise _cannot_write(to, error) from error
            raise
    root.out.print(f"{to}: {counted.count} line{'' if counted.count == 1 else 's'}", markup=False)


class _Counted:
    """Records on their way, counted."""

    def __init__(self, records: Iterable[Record]) -> None:
        self._records = records
        self.count = 0

    def __iter__(self) -> Iterator[Record]:
        for record in self._records:
            self.count += 1
            yield record


def _cannot_write(to: Path, error: OSError) -> DestinationError:
    return DestinationError(
        f"can't be written: {error.strerror}", path=str(to), remedy="Choose another folder, or make room."
    )


def import_log(
    context: typer.Context,
    source: Annotated[
        Path, typer.Argument(metavar="FROM", help="A file as `export` writes it: NAME.csv or NAME.jsonl.")
    ],
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Show what would change, and change nothing.")
    ] = False,
    prefer: Annotated[
        Prefer | None,
        typer.Option(help="Who is right where both say different things; without it they are left alone."),
    ] = None,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """Merge a log from a table into the catalogue; clips are known by their content, not by name."""
    root = root_of(context)
    opened = reading if dry_run else writing
    edit = None
    with opened(root.sessions) as session:
        found = root.production(session, production)
        vocabulary = production_vocabulary(session, found, load_vocabulary())
        records = read_records(source, vocabulary)
        merge = plan_merge(session, found, records, source, prefer, hold=not dry_run)
        if not dry_run:
            made = apply_merge(session, found, merge, vocabulary, root.author, f"import {source.name}")
            edit = made.id if made is not None else None
    if as_json:
        print_json(_as_json(merge, edit))
    else:
        _say(root, merge, dry_run, edit)
    if merge.conflicts or merge.unknown:
        raise typer.Exit(EXIT_PARTIAL)


def _as_json(merge: Merge, edit: int | None) -> dict[str, Any]:
    return {
        "change": edit,
        "changes": [one.as_json() for one in merge.changes],
        "conflicts": [one.as_json() for one in merge.conflicts],
        "kept": [one.as_json() for one in merge.kept],
        "unknown": [
            {"line": record.line, "hash": record.hash, "size": record.size, "why": why}
            for record, why in merge.unknown
        ],
        "same": merge.same,
    }


def _say(root: Root, merge: Merge, dry_run: bool, edit: int | None) -> None:
    if dry_run:
        _table(root, "would change", merge.changes)
    _table(root, "left alone, as both say something else (see --prefer)", merge.conflicts)
    if merge.unknown:
        root.out.print("of no clip here:", style="bold", markup=False)
        for record, why in merge.unknown[:MOST_SHOWN]:
            known = record.known or {}
            root.out.print(
                f"  line {record.line}: {known.get('reel', '')}/{known.get('clip', '')}: {why}", markup=False
            )
        _more(root, len(merge.unknown))
    count = len(merge.wanted) + len(merge.spoken)
    what = "clip, moment or transcript" if count == 1 else "clips, moments or transcripts"
    said = (
        f"{'would change' if dry_run else 'changed'} {count} {what}; {merge.same} said nothing new; "
        f"{len(merge.conflicts)} conflicts, {len(merge.kept)} kept, {len(merge.unknown)} of no clip here"
    )
    root.out.print(said, markup=False)
    if edit is not None:
        root.out.print(f"this is edit {edit}; `rushlight undo {edit}` takes it back", markup=False)


def _table(root: Root, title: str, differences: list[Difference]) -> None:
    if not differences:
        return
    root.out.print(f"{title}:", style="bold", markup=False)
    rows = [
        (str(one.line), _subject(one), one.field, _short(one.now), _short(one.file))
        for one in differences[:MOST_SHOWN]
    ]
    print_table(root, ("line", "clip", "field", "catalogue", "file"), rows, right=1)
    _more(root, len(differences))


def _more(root: Root, count: int) -> None:
    if count > MOST_SHOWN:
        root.out.print(f"  and {count - MOST_SHOWN} more; --json has all", markup=False)


def _subject(one: Difference) -> str:
    span = one.subject.range
    return one.name if span is None else f"{one.name} {span[0]}–{span[1]}"


def _short(value: Value) -> str:
    text = join_names(value) if isinstance(value, tuple) else value
    line = "".join(letter if letter.isprintable() else " " for letter in text)
    return line if len(line) <= 60 else line[:59] + "…"
