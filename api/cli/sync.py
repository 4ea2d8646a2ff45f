"""`sync` and `channels`: which sound belongs to which picture, and who is on which channel."""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated

import typer

from api.cli.app import Root, print_json, print_table, root_of
from api.cli.options import AsJson, Production
from ingest.recheck import recheck
from shared.catalogue.channels import list_channels
from shared.catalogue.log import find_one_clip, production_vocabulary
from shared.catalogue.pairs import PairRow, comparable_clips, confirm_pair, name_of, pair_rows
from shared.catalogue.search import find_clip_ids
from shared.db import reading, writing
from shared.errors import EXIT_PARTIAL, UsageError
from shared.models import Clip, ClipMedia
from shared.vocabulary import load_vocabulary

WITHIN_MINUTES = 10.0
HEADINGS = ("picture", "sound", "offset", "samples", "drift", "both ran", "confidence", "state")


def register(app: typer.Typer) -> None:
    app.command("sync")(sync)
    app.command("channels")(channels)


def sync(
    context: typer.Context,
    query: Annotated[
        list[str] | None, typer.Argument(help="Which clips, as for `find`; without it all.")
    ] = None,
    pair: Annotated[
        tuple[str, str] | None, typer.Option("--pair", help="Only this picture and this sound.")
    ] = None,
    within: Annotated[
        float, typer.Option("--within", min=0, max=1440, help="How many minutes a clock may be wrong.")
    ] = WITHIN_MINUTES,
    confirm: Annotated[
        bool, typer.Option("--confirm", help="With --pair: say that what was found is right.")
    ] = False,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """Match pictures and sound files that ran at the same time, by comparing what they hear."""
    root = root_of(context)
    if pair is not None and query:
        raise UsageError("a query and --pair can't go together", remedy="Leave one of them out.")
    if confirm:
        _confirm(root, pair, production, as_json)
        return
    rows, problems = compare_sound(root, " ".join(query or []), pair, within, production)
    if as_json:
        print_json({"pairs": [row.as_json() for row in rows], "problems": problems})
    else:
        print_pairs(root, rows)
        for problem in problems:
            root.err.print(f"not compared: {problem}", markup=False)
    if problems:
        raise typer.Exit(EXIT_PARTIAL)


def compare_sound(
    root: Root,
    query: str = "",
    pair: tuple[str, str] | None = None,
    within: float = WITHIN_MINUTES,
    production: str | None = None,
) -> tuple[list[PairRow], list[str]]:
    """Compare the clips of a query, or one picture with one sound; judge the clocks again by what they hear.

    Returns the pairs, and what could not be compared, each with the reason.
    """
    from ingest.sound.syncing import Syncing  # heavy

    with root.err.status("comparing") as status:
        syncing = Syncing(
            root.sessions,
            root.settings,
            Fraction(round(within * 60)),
            lambda text: status.update(f"comparing {text}"),
        )
        if pair is not None:
            told = syncing.one(*_both(root, pair, production))
        else:
            told = syncing.all_of(*_comparable(root, query, production))
    with writing(root.sessions) as session:
        recheck(session, root.production(session, production))
    with reading(root.sessions) as session:
        return pair_rows(session, told.pair_ids), list(told.problems)


def channels(
    context: typer.Context,
    clip: Annotated[str, typer.Argument(help="Its name, REEL/name or #id.")],
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """Show what is on each channel of a clip. Say it with `rushlight log CLIP ch1=lav:"Ada Wren"`."""
    root = root_of(context)
    with reading(root.sessions) as session:
        found = root.production(session, production)
        vocabulary = production_vocabulary(session, found, load_vocabulary())
        rows = list_channels(session, find_one_clip(session, found, clip), vocabulary)
    if as_json:
        print_json([row.as_json() for row in rows])
        return
    if not rows:
        root.out.print("no sound")
        return
    cells = [
        (
            str(row.channel),
            row.track,
            row.microphone or row.kind or "",
            row.person or "",
            "logged" if row.source == "log" else "the file says",
        )
        for row in rows
    ]
    print_table(root, ("channel", "track", "microphone", "person", "source"), cells, right=1)


def _comparable(root: Root, text: str, production: str | None) -> tuple[list[Clip], list[Clip]]:
    with reading(root.sessions) as session:
        found = root.production(session, production)
        vocabulary = production_vocabulary(session, found, load_vocabulary())
        ids = find_clip_ids(session, found, text, vocabulary) if text else None
        return comparable_clips(session, found, ids)


def _both(root: Root, pair: tuple[str, str], production: str | None) -> tuple[Clip, Clip]:
    """The picture and the sound, in whichever order they were named. Raises UsageError for two alike."""
    with reading(root.sessions) as session:
        found = root.production(session, production)
        one, other = (find_one_clip(session, found, text) for text in pair)
        if one.media is ClipMedia.AUDIO:
            one, other = other, one
        if one.media is not ClipMedia.VIDEO or other.media is not ClipMedia.AUDIO:
            raise UsageError(
                f"{name_of(one)} and {name_of(other)} are not a picture and a sound file",
                remedy="Name one of each.",
            )
        return one, other


def _confirm(root: Root, pair: tuple[str, str] | None, production: str | None, as_json: bool) -> None:
    if pair is None:
        raise UsageError("--confirm needs --pair", remedy="Name the picture and the sound.")
    picture, sound = _both(root, pair, production)
    with writing(root.sessions) as session:
        rows = pair_rows(session, [confirm_pair(session, picture, sound).id])
    if as_json:
        print_json({"pairs": [row.as_json() for row in rows], "problems": []})
    else:
        print_pairs(root, rows)


def print_pairs(root: Root, rows: list[PairRow]) -> None:
    """A line for each pair."""
    if not rows:
        root.out.print("no picture with sound has a sound file near it")
        return
    print_table(root, HEADINGS, [_cells(row) for row in rows], right=0b1111100)


def _cells(row: PairRow) -> tuple[str, ...]:
    if row.offset_samples is None:
        return (row.picture, row.sound, "no match", "", "", "", f"{row.confidence:.2f}", row.state)
    drift = "" if row.drift_ppb is None else f"{row.drift_ppb / 1000:+.2f} ppm"
    state = row.state if row.method == "sound" else f"{row.state}, by the clocks alone"
    return (
        row.picture,
        row.sound,
        row.offset_text or "",
        f"{row.offset_samples:+d}",
        drift,
        f"{row.overlap_ms / 1000:.1f} s",
        f"{row.confidence:.2f}",
        state,
    )
