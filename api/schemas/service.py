"""The service itself: its health, and the words a log may use."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from api.schemas.base import Shape


class Health(Shape):
    status: Literal["ok"] = "ok"


class Readiness(Shape):
    status: Literal["ready"] = "ready"
    schema_revision: str = Field(description="Of the catalogue.")


class Term(Shape):
    code: str
    label: str
    definition: str
    aliases: list[str] = Field(description="Other spellings that find it.")
    rank: int | None = Field(description="Where the field has an order: higher is better.")


class Vocabulary(Shape):
    fields: dict[str, list[Term]]


class Problem(BaseModel):
    """An error, as RFC 9457 has it."""

    model_config = ConfigDict(extra="allow")

    type: str = Field(description="Address of what such a problem is; about:blank: as the status says.")
    title: str
    status: int
    detail: str = Field(description="What is wrong, for the person who asked.")
    instance: str = Field(description="The address that was asked.")
    remedy: str | None = Field(default=None, description="What to do about it.")
    column: int | None = Field(default=None, description="Of a query: where it goes wrong, counted from 0.")
    query: str | None = Field(default=None, description="The query that `column` points into.")
    errors: list[dict[str, Any]] | None = Field(
        None,
        description="Of a request that does not fit: each place (`pointer` or `parameter`) and its `detail`.",
    )
