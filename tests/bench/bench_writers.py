"""How long reads take while others write, and whether a write is lost.

    python -m tests.bench.bench_writers [--seconds 60] [--clips 20000]

Eight readers are measured alone first, for half as long; then together with one worker that logs clips and
four editors, on the same catalogue. Ends with 1 when somebody was locked out, a write was lost, or the p95 of
reads is beyond 3 times the quiet one.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
from pathlib import Path

from sqlalchemy import select

from shared.db import make_engine, make_sessions, reading
from shared.models import Clip, Production
from tests.bench.make_log import make_log
from tests.many_writers import Load, Outcome, find_losses, run_load

MOST_TIMES_QUIET = 3.0
WARM_SECONDS = 5.0
EDITED = 20  # clips that the editors share


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--clips", type=int, default=20_000)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="rushlight-writers-") as folder:
        made = make_log(Path(folder) / "catalogue.db", options.clips)
        return measure(f"sqlite:///{made.path}", made.slug, options.seconds, made.common_word)


def measure(url: str, production: str, seconds: float, word: str) -> int:
    engine = make_engine(url)
    sessions = make_sessions(engine)
    with reading(sessions) as session:
        ids = session.scalars(
            select(Clip.id).join(Production).where(Production.slug == production).limit(EDITED)
        )
        edited = tuple(ids)
    queries = ("", "kind:interview", "day:2..3", word)
    quiet = run_load(
        url, Load(seconds / 2, warm_seconds=WARM_SECONDS, production=production, queries=queries)
    )
    load = Load(seconds, adders=1, editors=4, production=production, queries=queries, edited=edited)
    busy = run_load(url, load)
    lost = find_losses(sessions, load, busy)
    engine.dispose()
    ratio = busy.p95 / quiet.p95
    for name, outcome in (("quiet", quiet), ("under load", busy)):
        print(f"{name:<11} {_said(outcome)}")
    print(
        f"{len(busy.marks)} edits ({len(busy.marks) / seconds:.1f} a second, {busy.refused} begun anew on a "
        f"newer version), {busy.added} clips logged ({busy.added / seconds:.1f} a second)"
    )
    print(f"p95 of reads: {ratio:.2f} times the quiet one (aim: {MOST_TIMES_QUIET:g})")
    for problem in (*quiet.errors, *busy.errors, *lost):
        print(f"PROBLEM {problem}")
    return int(bool(quiet.errors or busy.errors or lost) or ratio > MOST_TIMES_QUIET)


def _said(outcome: Outcome) -> str:
    return (
        f"{len(outcome.reads):>6} reads, median {statistics.median(outcome.reads) * 1000:6.1f} ms, "
        f"p95 {outcome.p95 * 1000:6.1f} ms, longest {max(outcome.reads) * 1000:6.1f} ms"
    )


if __name__ == "__main__":
    sys.exit(main())
