"""Lists in pages, by key and never by offset: a page stays right while rows are added before it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, TypeVar
from urllib.parse import urlencode

from sqlalchemy import Select
from sqlalchemy.orm import InstrumentedAttribute, Session
from starlette.requests import Request

Row = TypeVar("Row")
Key = TypeVar("Key", int, str)
Item = TypeVar("Item")


def read_page(
    session: Session,
    rows: Select[Row],
    key: InstrumentedAttribute[Key],
    *,
    limit: int,
    after: Key | None,
    newest_first: bool = False,
) -> tuple[list[Row], Key | None]:
    """Rows in the order of `key`, and the key after which the next page begins; none: this is the last."""
    if after is not None:
        rows = rows.where(key < after if newest_first else key > after)
    ordered = rows.order_by(key.desc() if newest_first else key.asc()).limit(limit + 1)
    found = list(session.scalars(ordered))
    if len(found) <= limit:
        return found, None
    return found[:limit], getattr(found[limit - 1], key.key)


def cut_page(
    items: Iterable[Item], key: Callable[[Item], str], *, limit: int, after: str | None
) -> tuple[list[Item], str | None]:
    """The same for what is no table: sorted by `key`, which no two have alike."""
    left = sorted((one for one in items if after is None or key(one) > after), key=key)
    return left[:limit], key(left[limit - 1]) if len(left) > limit else None


def next_link(request: Request, after: Any | None) -> str | None:
    """The address of the next page: this one's, with `after` changed."""
    if after is None:
        return None
    query = [(name, value) for name, value in request.query_params.multi_items() if name != "after"]
    return f"{request.scope['path']}?{urlencode([*query, ('after', str(after))])}"
