"""Whether anything was committed since somebody last looked: the same on both databases.

What is compared with: readers of PostgreSQL with one snapshot see the same rows (manual, 9.27.8); SQLite's
documentation of `data_version` (sqlite.org, "Pragma statements").
"""

from __future__ import annotations

from shared.db import Sessions, reading, writing
from shared.standing import Standing
from tests.factories import make_production


def test_equal_until_somebody_commits(catalogue: Sessions) -> None:
    standing = Standing(catalogue.kw["bind"])
    first = standing.read()
    assert first is not None and standing.read() == first
    with reading(catalogue) as session:
        session.connection()
        assert standing.read() == first, "reading changes nothing"
    with writing(catalogue) as session:
        make_production(session)
    second = standing.read()
    assert second != first and standing.read() == second


def test_each_commit_is_another_one(catalogue: Sessions) -> None:
    standing = Standing(catalogue.kw["bind"])
    seen = [standing.read()]
    for number in range(5):
        with writing(catalogue) as session:
            make_production(session, name=f"Production {number}", slug=f"production-{number}")
        seen.append(standing.read())
    assert len(set(map(str, seen))) == 6
