"""Writes reports in a process of its own, to be limited: `python -m tests.api.report_child URL TO LIMIT…`.

LIMIT is the largest file it may write, in bytes, one report each ("none": no limit). One JSON line for each.
"""

from __future__ import annotations

import json
import resource
import sys
from pathlib import Path

from sqlalchemy import select

from api.report import write_report
from shared.db import make_engine, make_sessions, reading
from shared.errors import AppError
from shared.models import Offload


def main(url: str, to: str, *limits: str) -> None:
    engine = make_engine(url)
    with reading(make_sessions(engine)) as session:
        offload = session.scalars(select(Offload)).one()
        for limit in limits:
            if limit != "none":
                resource.setrlimit(resource.RLIMIT_FSIZE, (int(limit), resource.RLIM_INFINITY))
            try:
                said: dict[str, object] = {
                    "files": [str(path) for path in write_report(session, offload, Path(to))]
                }
            except AppError as error:
                said = {"error": type(error).__name__, "path": error.path, "remedy": error.remedy}
            resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
            print(json.dumps(said), flush=True)
    engine.dispose()


if __name__ == "__main__":
    main(*sys.argv[1:])
