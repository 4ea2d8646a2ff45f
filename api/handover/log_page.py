"""The shot log as one self-contained HTML file: stills and style inside, no script, nothing fetched."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator, Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from api.handover.folder import Draft
from api.handover.log_cards import MANY, PAGE_NAME, STILLS, Picture, days_of, pictures_of
from api.handover.places import Place
from api.handover.shots import Handover, Shot


def write_log_page(draft: Draft, handover: Handover, places: Mapping[int, Place], stills: Path) -> None:
    """Write `shot_log.html`; a clip's stills are in memory one clip at a time."""

    most = STILLS if len(handover.shots) < MANY else 1

    def pictures(shot: Shot) -> Iterator[str]:
        return map(_data_url, pictures_of(shot, stills, most))

    style = _style()
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    stream = (
        _templates()
        .get_template("log.html")
        .stream(
            production=handover.production.name,
            zone=handover.production.zone,
            made=f"{handover.made_here:%Y-%m-%d %H:%M}",
            count=len(handover.shots),
            days=days_of(handover, places),
            pictures=pictures,
            style=Markup(style),
            # The one style sheet is allowed by its hash (CSP Level 3, 8.4), pictures only from inside.
            policy=f"default-src 'none'; img-src data:; style-src 'sha256-{digest}'; base-uri 'none'; "
            "form-action 'none'",
        )
    )
    stream.enable_buffering(200)
    with draft.create(PAGE_NAME) as file:
        for piece in stream:
            file.write(piece.encode("utf-8", "backslashreplace"))


def _data_url(picture: Picture) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(picture.jpeg).decode()}"


@cache
def _style() -> str:
    """The reports' sheet, and what cards with stills need beside it."""
    reports = files("api").joinpath("report", "templates", "offload.css").read_text(encoding="utf-8")
    return reports + files("api").joinpath("handover", "templates", "log.css").read_text(encoding="utf-8")


@cache
def _templates() -> Environment:
    return Environment(
        loader=PackageLoader("api.handover"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
