"""What all pages share: the templates, the style sheet, and how a problem is shown."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Response
from jinja2 import Environment, PackageLoader, StrictUndefined
from jinja2.utils import htmlsafe_json_dumps
from markupsafe import Markup
from sqlalchemy import select
from sqlalchemy.orm import Session
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse

from api.errors import Problem
from api.handover.text import say_length
from api.pages import words
from api.pages.pointer import point_at
from api.pages.vocabulary import FieldView
from shared.models import Production

_TYPES = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",  # RFC 9239
    ".svg": "image/svg+xml",
}
_FOR_EVER = "public, max-age=31536000, immutable"  # RFC 8246


@dataclass(frozen=True, slots=True)
class Site:
    """Templates and static files, read once.

    `static`: content by name. `version` is another one when any of them is another one; it stands in the
    path, so that a module finds those that it imports, by a relative address, under the same version.
    """

    templates: Environment
    static: Mapping[str, bytes]
    version: str

    def asset(self, name: str) -> str:
        """The address of a static file, which stands for this content for ever. Raises KeyError."""
        if name not in self.static:
            raise KeyError(name)
        return f"/static/{self.version}/{name}"

    def render(self, template: str, status: int = 200, /, **values: Any) -> HTMLResponse:
        return HTMLResponse(self.write(template, **values), status)

    def write(self, template: str, /, **values: Any) -> str:
        return self.templates.get_template(template).render(values)

    def render_problem(self, problem: Problem) -> HTMLResponse:
        query, column = problem.more.get("query"), problem.more.get("column")
        pointer = point_at(query, column) if query is not None and column is not None else None
        response = self.render(
            "problem.html", problem.status, problem=problem, pointer=pointer, production=None
        )
        for name, value in problem.headers:
            response.headers.append(name, value)
        return response


@cache
def make_site() -> Site:
    """The one site of this process: templates are compiled when they are first asked for."""
    static = _read_static()
    digest = hashlib.blake2s(digest_size=8)
    for name in sorted(static):
        digest.update(name.encode() + b"\0" + static[name])
    templates = Environment(
        loader=PackageLoader("api.pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    site = Site(templates, static, digest.hexdigest())
    templates.globals.update(asset=site.asset, link=link, terms_json=_terms_json, words_json=_words_json)
    templates.filters.update(
        count=words.say_count,
        date=words.say_date,
        length_of=say_length,
        capitalize_first=lambda text: text[:1].upper() + text[1:],
        bytes=words.say_bytes,
        names=words.write_names,
    )
    return site


def _terms_json(fields: Sequence[FieldView], *, whole: bool = False) -> Markup:
    """Fields with their terms for a script, by code and label; `whole`: with definition and key too.

    What HTML could take for markup stands as an escape.
    """
    terms = [
        [one.name, one.label, one.terms if whole else [term[:2] for term in one.terms]] for one in fields
    ]
    return htmlsafe_json_dumps(terms, separators=(",", ":"))


def _words_json(words: Sequence[tuple[str, str, Sequence[str]]]) -> Markup:
    return htmlsafe_json_dumps(words, separators=(",", ":"))


def _read_static() -> dict[str, bytes]:
    folder = files("api.pages").joinpath("static")
    return {one.name: one.read_bytes() for one in folder.iterdir() if _suffix(one.name) in _TYPES}


def _suffix(name: str) -> str:
    return name[name.rfind(".") :]


def link(path: str, **query: str | int | None) -> str:
    """An address with what is given of the query."""
    given = {name: value for name, value in query.items() if value not in (None, "")}
    return f"{path}?{urlencode(given)}" if given else path


def wants_page(request: Request) -> bool:
    """Whether an error is for a person: outside the API, and the caller takes HTML."""
    return not request.scope["path"].startswith("/api/") and "text/html" in request.headers.get("accept", "")


async def site_of(request: Request) -> Site:
    site = request.app.state.site
    assert isinstance(site, Site)
    return site


SiteDep = Annotated[Site, Depends(site_of)]


def list_productions(session: Session) -> list[Production]:
    """The latest first."""
    return list(session.scalars(select(Production).order_by(Production.id.desc())))


router = APIRouter()


@router.get("/static/{version}/{name}")
async def read_static(site: SiteDep, version: str, name: str) -> Response:
    data = site.static.get(name)
    if data is None:
        raise HTTPException(404)
    return Response(
        data,
        media_type=_TYPES[_suffix(name)],
        headers={"Cache-Control": _FOR_EVER if version == site.version else "no-cache"},
    )
