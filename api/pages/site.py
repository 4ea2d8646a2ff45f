"""What all pages share: the templates, the style sheet, and how a problem is shown."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Response
from jinja2 import Environment, PackageLoader, StrictUndefined
from sqlalchemy import select
from sqlalchemy.orm import Session
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse

from api.errors import Problem
from api.handover.text import say_length
from api.pages import words
from api.pages.pointer import point_at
from shared.models import Production

_STYLE = "rushlight.css"
_FLAME = "flame.svg"
_TYPES = {_STYLE: "text/css; charset=utf-8", _FLAME: "image/svg+xml"}


@dataclass(frozen=True, slots=True)
class StaticFile:
    """One file that comes with the pages. `link` is another one when the content is another one."""

    name: str
    data: bytes
    version: str

    @property
    def link(self) -> str:
        return f"/static/{self.name}?v={self.version}"


@dataclass(frozen=True, slots=True)
class Site:
    """Templates and static files, read once."""

    templates: Environment
    static: Mapping[str, StaticFile]

    def render(self, template: str, status: int = 200, /, **values: Any) -> HTMLResponse:
        return HTMLResponse(self.templates.get_template(template).render(values), status)

    def render_problem(self, problem: Problem) -> HTMLResponse:
        query, column = problem.more.get("query"), problem.more.get("column")
        pointer = point_at(query, column) if query is not None and column is not None else None
        response = self.render(
            "problem.html", problem.status, problem=problem, pointer=pointer, production=None
        )
        for name, value in problem.headers:
            response.headers.append(name, value)
        return response


def make_site() -> Site:
    static = {name: _read_static(name) for name in _TYPES}
    templates = Environment(
        loader=PackageLoader("api.pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    templates.globals.update(style_link=static[_STYLE].link, flame_link=static[_FLAME].link, link=link)
    templates.filters.update(
        count=words.say_count,
        date=words.say_date,
        length_of=say_length,
        capitalize_first=lambda text: text[:1].upper() + text[1:],
        bytes=words.say_bytes,
    )
    return Site(templates, static)


def _read_static(name: str) -> StaticFile:
    data = files("api.pages").joinpath("static", name).read_bytes()
    return StaticFile(name, data, hashlib.blake2s(data, digest_size=8).hexdigest())


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


@router.get("/static/{name}")
async def read_static(site: SiteDep, name: str, v: str = "") -> Response:
    file = site.static.get(name)
    if file is None:
        raise HTTPException(404)
    for_ever = v == file.version
    return Response(
        file.data,
        media_type=_TYPES[name],
        headers={"Cache-Control": "public, max-age=31536000, immutable" if for_ever else "no-cache"},
    )
