"""Requests that the web process files and a worker carries out."""

from __future__ import annotations

import datetime as dt
import enum
from typing import Any

from sqlalchemy import Index, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from shared.models.base import Base, now, text_enum
from shared.models.columns import PrimaryKey


class RequestKind(enum.StrEnum):
    OFFLOAD = "offload"
    HANDOVER = "handover"
    DEMO = "demo"
    PREVIEW = "preview"


class RequestState(enum.StrEnum):
    QUEUED = "queued"
    RUNNING = "running"
    DONE = "done"
    FAILED = "failed"


class Request(Base):
    __tablename__ = "request"
    __table_args__ = (Index("ix_request_state", "state", "id"),)

    id: Mapped[PrimaryKey]
    kind: Mapped[RequestKind] = mapped_column(text_enum(RequestKind))
    state: Mapped[RequestState] = mapped_column(text_enum(RequestState), default=RequestState.QUEUED)
    order: Mapped[dict[str, Any]] = mapped_column("payload", default=dict)  # what is asked
    progress: Mapped[dict[str, Any]] = mapped_column(default=dict)
    result: Mapped[dict[str, Any]] = mapped_column(default=dict)
    error: Mapped[str | None] = mapped_column(Text)
    worker: Mapped[str | None] = mapped_column(String(100))
    created_at: Mapped[dt.datetime] = mapped_column(default=now)
    heartbeat_at: Mapped[dt.datetime | None]  # a running request without a fresh one is queued again
    ended_at: Mapped[dt.datetime | None]
