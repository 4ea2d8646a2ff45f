"""A worker, editors and readers at one catalogue together: nobody is locked out, no write is lost.

The whole minute, with how long reads take, is `python -m tests.bench.bench_writers`.
"""

from __future__ import annotations

from shared.db import Sessions, writing
from tests.factories import make_many_clips, make_production
from tests.many_writers import Load, find_losses, run_load


def test_a_worker_four_editors_and_eight_readers(catalogue: Sessions, catalogue_url: str) -> None:
    with writing(catalogue) as session:
        ids = make_many_clips(session, make_production(session), 300)
    load = Load(2.0, least=3, adders=1, editors=4, readers=8, edited=tuple(ids[:5]))
    outcome = run_load(catalogue_url, load)
    assert outcome.errors == []
    assert find_losses(catalogue, load, outcome) == []
    assert len(outcome.marks) >= 12 and outcome.added >= 3 and len(outcome.reads) >= 24


def test_a_lost_write_would_be_noticed(catalogue: Sessions, catalogue_url: str) -> None:
    """Whoever writes without looking writes over another: the same check finds it."""
    with writing(catalogue) as session:
        ids = make_many_clips(session, make_production(session), 10)
    load = Load(0.2, least=2, adders=1, editors=1, readers=0, edited=(ids[0],))
    outcome = run_load(catalogue_url, load)
    assert find_losses(catalogue, load, outcome) == []
    outcome.marks.append((ids[0], "mark-9-9"))
    outcome.added += 1
    assert len(find_losses(catalogue, load, outcome)) >= 3
