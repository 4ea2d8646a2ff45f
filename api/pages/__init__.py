"""The pages: rendered here from the same catalogue as the API; modules of script make them quicker to use."""

from __future__ import annotations

from fastapi import APIRouter

from api.pages import (
    begin,
    clip,
    day,
    days,
    find,
    live,
    noticed,
    offloading,
    outline,
    outlining,
    plan,
    planning,
    previews,
    problems,
    site,
    strip,
    transcribing,
    transcript,
    walk,
    wrap,
)

__all__ = ["all_pages"]


def all_pages() -> list[APIRouter]:
    parts = (
        *(site, days, strip, day, clip, transcript, noticed, find, walk, offloading, live, begin, previews),
        *(transcribing, plan, planning, outline, outlining, wrap, problems),
    )
    return [part.router for part in parts]
