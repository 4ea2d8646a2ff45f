"""Forms of our own pages, which work without script: read, carried out by the API's own operation, and then
back to the page that they stand on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, TypeVar
from urllib.parse import parse_qsl

from fastapi import Depends, Request, Response
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, ValidationError
from starlette.responses import RedirectResponse

from api.guard import FORM_TYPE
from shared.errors import UsageError

_MOST_FIELDS = 1000
Shaped = TypeVar("Shaped", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class Form:
    """What was sent, by name, in order. A field that was left empty is there, as an empty text."""

    values: Mapping[str, tuple[str, ...]]

    def all(self, name: str) -> tuple[str, ...]:
        return self.values.get(name, ())

    def text(self, name: str) -> str:
        """The last of that name, without blanks at its ends; empty: none."""
        return self.values[name][-1].strip() if name in self.values else ""

    def number(self, name: str) -> int | None:
        """None: left empty. Raises UsageError for what is no whole number."""
        text = self.text(name)
        if not text:
            return None
        if not text.isascii() or not text.isdecimal() or len(text) > 18:
            raise UsageError(f"{name} must be a whole number", remedy="Go back and write it in digits.")
        return int(text)


async def read_form(request: Request) -> Form:
    """Raises UsageError for a body that is no form."""
    if not request.headers.get("content-type", "").lower().startswith(FORM_TYPE):
        raise UsageError("this address takes a page's form", remedy="Programs use /api/v1.")
    try:
        text = (await request.body()).decode("ascii")
        pairs = parse_qsl(text, keep_blank_values=True, errors="strict", max_num_fields=_MOST_FIELDS)
    except ValueError as error:
        raise UsageError("the form can't be read", remedy="Load the page again and send it anew.") from error
    values: dict[str, tuple[str, ...]] = {}
    for name, value in pairs:
        values[name] = (*values.get(name, ()), value.replace("\r\n", "\n"))
    return Form(values)


FormDep = Annotated[Form, Depends(read_form)]


def body_of(shape: type[Shaped], values: Mapping[str, Any]) -> Shaped:
    """Values as the API takes them. Raises RequestValidationError, which is answered as the API's is."""
    try:
        return shape.model_validate(values)
    except ValidationError as error:
        raise RequestValidationError(
            [{**one, "loc": ("body", *one["loc"])} for one in error.errors()]
        ) from error


def go_to(address: str) -> Response:
    """Look at that page; a reload there sends nothing again (RFC 9110, 15.4.4)."""
    return RedirectResponse(address, 303)
