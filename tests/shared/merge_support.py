"""Merge a log from a file, as the command does, in the session of a test."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy.orm import Session

from shared.catalogue.log_files import read_records
from shared.catalogue.merging import apply_merge
from shared.catalogue.transfer import Merge, Prefer, plan_merge
from shared.models import ChangeSet, Production
from shared.vocabulary import load_vocabulary

VOCABULARY = load_vocabulary()


def merge_in(
    session: Session, production: Production, path: Path, prefer: Prefer | None = None
) -> tuple[Merge, ChangeSet | None]:
    merge = plan_merge(session, production, read_records(path, VOCABULARY), path, prefer, hold=True)
    return merge, apply_merge(session, production, merge, VOCABULARY, "Ida", f"import {path.name}")
