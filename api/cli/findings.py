"""`findings`, `dismiss` and `judge`: what was noticed, putting it away with a reason, making it anew."""

from __future__ import annotations

from contextlib import ExitStack, closing
from typing import Annotated, Any

import typer

from api.cli.app import Root, print_json, print_table, root_of
from api.cli.options import AsJson, Production
from shared.catalogue.clip_rows import range_text
from shared.catalogue.findings import Found, dismiss_findings, list_findings
from shared.catalogue.log import production_vocabulary
from shared.catalogue.search import find_clip_ids
from shared.db import reading, writing
from shared.errors import NotFoundError, UsageError
from shared.vocabulary import load_vocabulary

Query = Annotated[str, typer.Argument(help="Clips, as `rushlight find` takes them. Empty: every clip.")]
Codes = Annotated[
    list[str] | None, typer.Option("--code", help="Only findings of this kind; may be given again.")
]


def register(app: typer.Typer) -> None:
    app.command("findings")(findings)
    app.command("dismiss")(dismiss)
    app.command("judge")(judge)


def findings(
    context: typer.Context,
    query: Query = "",
    code: Codes = None,
    every: Annotated[bool, typer.Option("--all", help="Dismissed ones too.")] = False,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """List what was noticed in the clips that a query finds: number, place, message and rule."""
    root = root_of(context)
    with reading(root.sessions) as session:
        found = root.production(session, production)
        vocabulary = production_vocabulary(session, found, load_vocabulary())
        ids = find_clip_ids(session, found, query, vocabulary)
        rows = list(list_findings(session, ids, codes=code or (), dismissed=every))
        if as_json:
            print_json([_object(row) for row in rows])
            return
        table = [_row(row) for row in rows]
    if not table:
        root.out.print("nothing was noticed that stands", markup=False)
        return
    print_table(root, ("number", "clip", "where", "severity", "finding"), table, right=0b1)


def _row(found: Found) -> tuple[str, ...]:
    row = found.finding
    said = f"{row.code}: {row.message}"
    return (
        str(row.id),
        f"{found.clip.reel.name}/{found.clip.name}",
        range_text(found.clip, row.in_frame, row.out_frame),
        row.severity.value if row.dismissed is None else "dismissed",
        said if row.dismissed is None else f"{said} Dismissed: {row.dismissed}",
    )


def _object(found: Found) -> dict[str, Any]:
    row = found.finding
    return {
        "id": row.id,
        "clip": {"id": found.clip.id, "reel": found.clip.reel.name, "name": found.clip.name},
        "file": row.file.path if row.file is not None else None,
        "code": row.code,
        "severity": row.severity.value,
        "message": row.message,
        "value": row.value,
        "unit": row.unit,
        "rule": row.rule,
        "channel": row.channel,
        "in_frame": row.in_frame,
        "out_frame": row.out_frame,
        "where": range_text(found.clip, row.in_frame, row.out_frame),
        "dismissed": row.dismissed,
    }


def dismiss(
    context: typer.Context,
    numbers: Annotated[
        list[int] | None, typer.Argument(metavar="NUMBER…", help="Findings, by `rushlight findings`.")
    ] = None,
    because: Annotated[str | None, typer.Option(help="Why it is no fault, or is to be lived with.")] = None,
    where: Annotated[
        str | None, typer.Option("--where", help="Every finding of --code in these clips.")
    ] = None,
    code: Codes = None,
    back: Annotated[bool, typer.Option("--back", help="Bring dismissed findings back.")] = False,
    production: Production = None,
) -> None:
    """Put findings away with a reason: they are kept, and count no longer. `rushlight undo` takes it back."""
    root = root_of(context)
    if (because is None) != back:
        raise UsageError(
            "say why, or bring back", remedy='rushlight dismiss 12 --because "it is meant", or --back'
        )
    if bool(numbers) == (where is not None) or (where is not None and not code):
        raise UsageError(
            "name findings by their numbers, or clips with --where and what kind with --code",
            remedy="rushlight dismiss --where 'day:2' --code shaky --because \"shot from the boat\"",
        )
    with writing(root.sessions) as session:
        found = root.production(session, production)
        ids = numbers or []
        if where is not None:
            vocabulary = production_vocabulary(session, found, load_vocabulary())
            clips = find_clip_ids(session, found, where, vocabulary)
            rows = list_findings(session, clips, codes=code or (), dismissed=back)
            ids = [one.finding.id for one in rows if (one.finding.dismissed is not None) is back]
            if not ids:
                raise NotFoundError("there is no such finding", remedy="List them: `rushlight findings`.")
        count, _ = dismiss_findings(session, found, ids, because, root.author)
    done = "brought back" if back else "dismissed"
    root.out.print(f"{done} {count} finding{'' if count == 1 else 's'}", markup=False)


def judge(
    context: typer.Context,
    query: Query = "",
    measure: Annotated[
        bool, typer.Option("--measure", help="First measure what never was, from the copies at hand.")
    ] = False,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """Make findings and suggestions anew from the numbers kept, by the limits as they are set now."""
    root = root_of(context)
    from ingest.findings import judge_clips  # brings the rules, which no other command here needs
    from ingest.suggesting import suggest_clips

    with reading(root.sessions) as session:
        found = root.production(session, production)
        vocabulary = production_vocabulary(session, found, load_vocabulary())
        ids = find_clip_ids(session, found, query, vocabulary)
    away = _measure(root, ids) if measure else 0
    with writing(root.sessions) as session:
        judged = judge_clips(session, ids, root.settings)
        suggest_clips(session, ids)
    if as_json:
        print_json(
            {
                "clips": len(ids),
                "measured": judged.clips,
                "added": judged.added,
                "kept": judged.kept,
                "removed": judged.removed,
                "files_out_of_reach": away,
            }
        )
        return
    root.out.print(
        f"{judged.clips} of {len(ids)} clips have been measured: {judged.added} findings are new, "
        f"{judged.kept} still hold, {judged.removed} hold no longer",
        markup=False,
    )
    if away:
        root.out.print(f"{away} files have no copy at hand: connect their drive, and ask again", markup=False)
    elif judged.clips < len(ids) and not measure:
        root.out.print("the others: `rushlight judge --measure`", markup=False)


def _measure(root: Root, clip_ids: list[int]) -> int:
    from ingest.measuring import Measuring, measure_clips
    from ingest.media.pool import MediaPool

    with ExitStack() as children:
        pool = MediaPool(root.settings, measuring=True)
        measuring = children.enter_context(closing(Measuring(pool, {}, {})))
        children.enter_context(pool)
        with root.err.status("measuring") as status:

            def tell() -> None:
                done, total = measuring.progress
                status.update(f"measuring: {done} of {total}")

            return measure_clips(measuring, root.sessions, clip_ids, tell)
