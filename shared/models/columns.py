"""Column shapes used by every model."""

from __future__ import annotations

from typing import Annotated

from sqlalchemy import BigInteger, Integer
from sqlalchemy.orm import mapped_column

# SQLite numbers rows by itself only for a column declared exactly INTEGER.
PrimaryKey = Annotated[int, mapped_column(BigInteger().with_variant(Integer(), "sqlite"), primary_key=True)]
