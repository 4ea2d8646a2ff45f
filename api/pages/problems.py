"""What a problem's `type` points at: a page that says what such a problem is."""

from __future__ import annotations

from fastapi import APIRouter, Response
from starlette.exceptions import HTTPException

from api.errors import PROBLEMS, problem_slug
from api.pages.site import SiteDep

router = APIRouter()


@router.get("/problems/{slug}")
async def explain_problem(site: SiteDep, slug: str) -> Response:
    for kind, (status, title) in PROBLEMS.items():
        if problem_slug(kind) == slug:
            return site.render("explained.html", title=title, status=status.value, production=None)
    raise HTTPException(404)
