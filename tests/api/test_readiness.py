"""What the service does once when it starts: callers are spared it, and nothing of it stays."""

from __future__ import annotations

import gc

from sqlalchemy import Engine

from api.deps import Service
from api.readiness import make_ready
from shared.db import Sessions
from shared.settings import Settings
from shared.standing import Standing
from shared.vocabulary import Vocabulary
from tests.api.catalogue import Seeded
from tests.schema import all_rows


def test_nothing_of_the_tried_edit_stays(
    seeded: Seeded, settings: Settings, catalogue: Sessions, engine: Engine, vocabulary: Vocabulary
) -> None:
    before, standing = all_rows(engine), Standing(engine)
    at_first = standing.read()
    make_ready(Service(settings, catalogue, vocabulary))
    assert all_rows(engine) == before
    assert standing.read() == at_first, "answers that are kept stay good"


def test_what_is_in_memory_is_not_searched_for_garbage(
    settings: Settings, catalogue: Sessions, vocabulary: Vocabulary
) -> None:
    """An empty catalogue has nothing to try an edit on."""
    before = gc.get_freeze_count()
    made = [[] for _ in range(1000)]  # type: ignore[var-annotated]
    make_ready(Service(settings, catalogue, vocabulary))
    assert gc.get_freeze_count() >= before + len(made)
