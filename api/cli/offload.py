"""`offload` and `card`: copy a card with proof, and ask whether it may be formatted."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.progress import (
    BarColumn,
    DownloadColumn,
    Progress,
    TaskID,
    TextColumn,
    TimeRemainingColumn,
    TransferSpeedColumn,
)

from api.cli.app import Root, print_json, print_table, root_of
from api.cli.options import AsJson, Production
from api.cli.problems import print_problems
from ingest.card import read_card
from ingest.durable import Disk
from ingest.hashes import make_hasher
from ingest.open_reel import CardListed
from ingest.orders import OffloadOrder, OffloadReport, Verdict
from ingest.pipeline import run_offload
from ingest.plan import Plan
from ingest.progress import Counters
from ingest.verdict import judge_card
from shared.catalogue.reels import recognise
from shared.db import reading, with_small_cache

CAUTION = "Formatting destroys what is on a card. This line is advice; the decision is yours."


def register(app: typer.Typer) -> None:
    app.command("offload")(offload)
    app.command("card")(card)


def offload(
    context: typer.Context,
    card: Annotated[Path, typer.Argument(help="Folder at which the card is mounted.")],
    to: Annotated[
        list[str],
        typer.Option("--to", help="Destination: a folder, or a name from config.toml. Two or more."),
    ],
    camera: Annotated[str | None, typer.Option(help="Letter of the camera that filled the card.")] = None,
    reel: Annotated[str | None, typer.Option(help="Name of the reel; without it the next free one.")] = None,
    day: Annotated[int | None, typer.Option(help="Shooting day; without it that of the newest file.")] = None,
    label: Annotated[str | None, typer.Option(help="The label written on the card, such as A01.")] = None,
    hash_: Annotated[str | None, typer.Option("--hash", help="xxh128, xxh3, xxh64, md5, sha1 or c4.")] = None,
    read_twice: Annotated[
        bool, typer.Option("--read-twice", help="Read the card twice and compare.")
    ] = False,
    report_to: Annotated[
        Path | None,
        typer.Option("--report", help="Folder for the offload's report, a page of HTML and a PDF."),
    ] = None,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """Copy a card to all destinations, prove every copy, log the clips."""
    root = root_of(context)
    if hash_ is not None:
        make_hasher(hash_)  # refuse an unknown one before anything is read
    if report_to is not None:
        from api.report.write import check_folder  # heavy: templates and fonts

        check_folder(report_to)  # now, not after an hour of copying
    named = root.settings.destinations
    order = OffloadOrder(
        card=card,
        to=tuple(named.get(one, Path(one)) for one in to),
        production=production,
        camera=camera,
        reel=reel,
        day=day,
        card_label=label,
        algorithm=hash_,
        read_twice=read_twice,
    )
    with Terminal(root) as terminal:
        report = run_offload(order, root.settings, root.sessions, terminal)
    if as_json:
        report.write_json(sys.stdout)
    else:
        print_report(root, report)
    if report_to is not None:
        from api.cli.report import write_files

        for path in write_files(root, report.production, report.reel, report_to):
            root.err.print(f"report: {path}", markup=False)
    if report.exit_code:
        raise typer.Exit(report.exit_code)


def card(
    context: typer.Context,
    folder: Annotated[Path, typer.Argument(help="Folder at which the card is mounted.")],
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """Say whether a card may be formatted, from the card and the drives as they are now."""
    root = root_of(context)
    disk = Disk()
    listing = read_card(folder, disk)
    sessions = with_small_cache(root.sessions)
    with reading(sessions) as session:
        reel = recognise(session, root.production(session, production), CardListed(listing))
    verdict = judge_card(folder, reel, sessions, disk)
    if as_json:
        print_json(
            {
                "reel": reel.name if reel is not None else None,
                "verdict": {
                    "may_be_formatted": verdict.may_be_formatted,
                    "reasons": list(verdict.reasons),
                },
            }
        )
        return
    name = f"reel {reel.name}" if reel is not None else "an unknown card"
    root.out.print(f"{name}, {len(listing.files)} files, {listing.total_bytes:,} bytes", markup=False)
    print_verdict(root, verdict)


class Terminal:
    """Follows a run on standard error, so that standard output stays clean for programs."""

    def __init__(self, root: Root) -> None:
        self._console = root.err
        self._progress = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            DownloadColumn(),
            TransferSpeedColumn(),
            TimeRemainingColumn(),
            console=self._console,
            disable=not self._console.is_terminal,
        )
        self._counters = Counters()
        self._card: TaskID | None = None
        self._places: list[TaskID] = []

    def __enter__(self) -> Terminal:
        self._progress.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.tick()
        self._progress.stop()

    def say(self, text: str) -> None:
        self._console.print(text, markup=False)

    def planned(self, plan: Plan, counters: Counters) -> None:
        self._counters = counters
        self._card = self._progress.add_task("card, read", total=plan.bytes_to_read or None)
        for number, place in enumerate(plan.places):
            # A byte counts twice: once when it is written, once when it is read back and proven.
            total = plan.bytes_for(number) + plan.bytes_to_write(number)
            self._places.append(
                self._progress.add_task(f"{place.shown}, written and proven", total=total or None)
            )

    def tick(self) -> None:
        if self._card is None:
            return
        self._progress.update(self._card, completed=self._counters.read)
        for number, task in enumerate(self._places):
            done = self._counters.written[number] + self._counters.verified[number]
            self._progress.update(task, completed=done)


def print_report(root: Root, report: OffloadReport) -> None:
    """The outcome for people: one row a destination, every problem, the verdict."""
    summary = report.summary
    root.out.print(f"reel {report.reel}: {report.state}", style="bold", markup=False)
    headings = ("destination", "files", "verified", "kept", "differ", "missing", "read back from")
    print_table(root, headings, [_row(one) for one in summary["destinations"]], right=0b0111110)
    junk = [thing["path"] for thing in summary["left_out"] if thing["junk"]]
    if junk:
        root.out.print(f"left on the card, made by computers: {', '.join(junk[:8])}", markup=False)
    print_problems(root, report.problems)
    root.out.print(
        f"{summary['bytes_read']:,} bytes read, {summary['bytes_written']:,} written, "
        f"{summary['seconds']:.1f} s, hash {summary['algorithm']}",
        markup=False,
    )
    print_verdict(root, report.verdict)


def _row(one: dict[str, Any]) -> tuple[str, ...]:
    name = one["destination"] + (f" (stopped: {one['stopped']})" if one["stopped"] else "")
    counts = (one["files"], one["verified"], one["kept"], one["differs"], one["missing"])
    return (name, *(str(count) for count in counts), one["read_back"])


def print_verdict(root: Root, verdict: Verdict) -> None:
    if verdict.may_be_formatted:
        root.out.print(
            "May this card be formatted? Yes: every file has verified copies on two drives.", style="bold"
        )
    else:
        root.out.print("May this card be formatted? NO.", style="bold")
        for reason in verdict.reasons:
            root.out.print(f"    {reason}", markup=False)
    root.out.print(CAUTION, markup=False)
