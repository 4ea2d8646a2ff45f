"""Lists with less in them: `fields=name,log` gives of each item what is named and nothing else."""

from __future__ import annotations

from typing import Annotated, Any, TypeVar, get_args

from fastapi import Query
from starlette.responses import JSONResponse, Response

from api.errors import InvalidRequestError
from api.schemas.base import Listing

Page = TypeVar("Page", bound=Listing[Any])
Fields = Annotated[
    str | None,
    Query(
        max_length=1000,
        description="Names of the members to give of each item, with commas between; without it: all.",
    ),
]


def select_fields(page: Page, fields: str | None) -> Page | Response:
    """The page as it is, or of each item only what `fields` names.

    Raises InvalidRequestError that says which names there are.
    """
    if fields is None:
        return page
    there = item_fields(type(page))
    names = [name.strip() for name in fields.split(",")]
    unknown = next((name for name in names if name not in there), None)
    if unknown is not None:
        detail = f"there is no member {unknown!r}"
        raise InvalidRequestError(
            f"fields: {detail}",
            remedy=f"There is: {', '.join(there)}.",
            errors=[{"parameter": "fields", "detail": detail}],
        )
    others = dict.fromkeys(set(type(page).model_fields) - {"items"}, True)
    chosen = page.model_dump(mode="json", include={"items": {"__all__": set(names)}, **others})
    return JSONResponse(chosen)


def item_fields(page: type[Listing[Any]]) -> list[str]:
    """The members that an item of such a list has."""
    (item,) = get_args(page.model_fields["items"].annotation)
    return list(item.model_fields)
