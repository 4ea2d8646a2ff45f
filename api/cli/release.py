"""`release`: who and what may be shown, on file with its paper and hash. Never legal advice."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from api.cli.app import Root, print_json, print_table, root_of
from api.cli.options import AsJson, Production
from api.cli.plan import Remove
from shared import models
from shared.catalogue.plan_values import read_pairs
from shared.catalogue.release_standing import CAUTION, standing_of, subject_of, today_of
from shared.catalogue.releases import (
    RELEASE,
    RELEASE_FIELDS,
    find_release,
    list_releases,
    put_release,
    release_values,
)
from shared.catalogue.rows import RowsEdit
from shared.db import reading, writing
from shared.errors import UsageError
from shared.release_files import keep_file


def register(app: typer.Typer) -> None:
    app.command("release")(release)


def release(
    context: typer.Context,
    words: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[NUMBER] [field=value…]",
            help='who="Ada Wren" signed=2026-05-12 media=all territory=world; kind=minor guardian=…; '
            "kind=place, group or work.",
        ),
    ] = None,
    file: Annotated[
        Path | None, typer.Option("--file", help="The signed paper: it is copied, with its hash.")
    ] = None,
    remove: Remove = False,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """List the releases and how they stand today, note one, or change one. This is not legal advice."""
    root = root_of(context)
    plain = [word for word in words or () if "=" not in word]
    pairs = [word for word in words or () if "=" in word]
    if len(plain) > 1 or (plain and not plain[0].isdigit()) or (remove and not plain):
        raise UsageError("name a release by its number", remedy='rushlight release 3 signed=…, or who="…".')
    if not pairs and file is None and not remove:
        _show(root, production, int(plain[0]) if plain else None, as_json=as_json)
        return
    kept = keep_file(root.settings.home, file) if file is not None and not remove else None
    with writing(root.sessions) as session:
        found = root.production(session, production)
        row = find_release(session, found, int(plain[0])) if plain else None
        edit = RowsEdit(session, found, root.author, _summary(plain, pairs, file, remove=remove))
        if remove and row is not None:
            said = f"removed release {row.id}; `rushlight undo` brings it back"
            edit.remove(RELEASE, row)
        else:
            values = release_values(session, found, read_pairs(pairs, RELEASE_FIELDS), row)
            if kept is not None:
                values |= {"file_name": kept.name, "file_hash": kept.hash, "file_bytes": kept.size}
            made = put_release(edit, row, values)
            standing = standing_of(made, today_of(found))
            said = f"release {made.id}: {made.kind.value} {subject_of(made)}, {standing.value}"
        edit.close()
    root.out.print(said, markup=False)
    root.out.print(CAUTION, markup=False)


def _summary(plain: list[str], pairs: list[str], file: Path | None, *, remove: bool) -> str:
    """Without names: the journal says which fields, and holds what they were."""
    fields = [word.partition("=")[0] for word in pairs]
    more = [*(["--file"] if file is not None else []), *(["--remove"] if remove else [])]
    return " ".join(["release", *plain, *fields, *more])


def _show(root: Root, production: str | None, number: int | None, *, as_json: bool) -> None:
    with reading(root.sessions) as session:
        found = root.production(session, production)
        rows = list_releases(session, found)
        if number is not None:
            rows = [find_release(session, found, number)]
        today = today_of(found)
        shown = [release_json(row, standing_of(row, today).value) for row in rows]
    if as_json:
        print_json(shown)
        return
    table = [
        (
            str(one["id"]),
            one["kind"],
            one["who"],
            one["standing"],
            one["signed"] or "",
            one["until"] or "",
            one["media"],
            one["territory"],
            "yes" if one["file_hash"] else "no",
            "; ".join(one["restricted"]),
        )
        for one in shown
    ]
    heads = (
        *("release", "kind", "who or what", "stands", "signed", "until", "media"),
        "territory",
        "paper",
        "but",
    )
    if table:
        print_table(root, heads, table, right=0b1)
    else:
        root.out.print('no release yet: rushlight release who="…" signed=2026-05-12', markup=False)
    root.out.print(CAUTION, markup=False)


def release_json(row: models.Release, standing: str) -> dict[str, Any]:
    restricted = [
        *(["no name"] if row.no_name else []),
        *(["hide the face"] if row.hide_face else []),
        *([row.restrictions] if row.restrictions else []),
    ]
    return {
        "id": row.id,
        "kind": row.kind.value,
        "who": subject_of(row),
        "standing": standing,
        "guardian": row.guardian,
        "signed": row.signed_on.isoformat() if row.signed_on else None,
        "media": row.media,
        "territory": row.territory,
        "until": row.until.isoformat() if row.until else None,
        "cut_downs": row.cut_downs,
        "restricted": restricted,
        "withdrawn": row.withdrawn_on.isoformat() if row.withdrawn_on else None,
        "form": row.form,
        "language": row.language,
        "file": row.file_name,
        "file_hash": row.file_hash,
        "note": row.note,
        "clips": [clip.id for clip in row.clips],
    }
