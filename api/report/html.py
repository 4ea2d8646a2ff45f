"""The report as one self-contained HTML file: its style inside, no script, nothing asked of anybody."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator
from functools import cache
from importlib.resources import files

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from api.report import words
from api.report.model import UNKNOWN, OffloadSheet

_STYLE = files("api.report").joinpath("templates", "offload.css").read_text(encoding="utf-8")
_STYLE_HASH = base64.b64encode(hashlib.sha256(_STYLE.encode()).digest()).decode()
# The one style sheet is allowed by its hash (CSP Level 3, 8.4), so a name from a card that broke out of its
# place could still neither run nor paint anything.
_PAGE_POLICY = f"default-src 'none'; style-src 'sha256-{_STYLE_HASH}'; base-uri 'none'; form-action 'none'"
CONTENT_POLICY = f"{_PAGE_POLICY}; frame-ancestors 'none'"


def render_html(sheet: OffloadSheet) -> Iterator[str]:
    """The page in pieces, which together are one UTF-8 document; every text in it is escaped."""
    stream = (
        _templates()
        .get_template("offload.html")
        .stream(
            sheet=sheet,
            style=Markup(_STYLE),
            # `frame-ancestors` is for the header alone (CSP Level 3, 3.3).
            policy=_PAGE_POLICY,
            caution=words.CAUTION,
            unknown=UNKNOWN,
        )
    )
    stream.enable_buffering(200)
    return stream


@cache
def _templates() -> Environment:
    templates = Environment(
        loader=PackageLoader("api.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    templates.filters.update(number=words.say_number, count=words.say_count)
    return templates
