"""Lists with less in them: `fields=name,log` gives of each item what is named and nothing else."""

from __future__ import annotations

from typing import Annotated, Any, get_args

from fastapi import Query
from starlette.responses import Response

from api.errors import InvalidRequestError
from api.schemas.base import Listing

Fields = Annotated[
    str | None,
    Query(
        max_length=1000,
        description="Names of the members to give of each item, with commas between; without it: all.",
    ),
]


def select_fields(page: Listing[Any], fields: str | None) -> Response:
    """The page as JSON, of each item only what `fields` names, if it names any.

    The page was checked when it was made, so nothing looks through it again.
    Raises InvalidRequestError that says which names there are.
    """
    return page_response(page_body(page, fields))


def page_response(body: bytes) -> Response:
    return Response(body, media_type="application/json")


def page_body(page: Listing[Any], fields: str | None) -> bytes:
    """The bytes of `select_fields`."""
    if fields is None:
        return page.model_dump_json(by_alias=True).encode()
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
    others: dict[str, Any] = dict.fromkeys(set(type(page).model_fields) - {"items"}, True)
    chosen: Any = {"items": {"__all__": {there[name] for name in names}}, **others}
    return page.model_dump_json(by_alias=True, include=chosen).encode()


def item_fields(page: type[Listing[Any]]) -> dict[str, str]:
    """The members that an item of such a list has, as they are called in JSON, with the shape's own names."""
    (item,) = get_args(page.model_fields["items"].annotation)
    return {field.alias or name: name for name, field in item.model_fields.items()}
