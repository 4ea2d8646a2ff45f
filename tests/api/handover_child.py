"""A hand-over in a process of its own, to be limited or killed: `python -m tests.api.handover_child …`.

Arguments: the catalogue's address, its home folder, the folder to hand over to, and the largest files it
may write, in bytes, one hand-over each ("none": no limit). Prints one JSON line for each of them.
"""

from __future__ import annotations

import json
import resource
import sys
from pathlib import Path

from sqlalchemy import select

from api.handover import write_handover
from shared.db import make_engine, make_sessions, reading
from shared.errors import AppError
from shared.models import Clip, Production
from shared.settings import load_settings


def main(url: str, home: str, to: str, *limits: str) -> None:
    engine = make_engine(url)
    with reading(make_sessions(engine)) as session:
        production = session.scalars(select(Production)).one()
        clips = list(session.scalars(select(Clip)))  # the database's own files are open from here on
        for limit in limits:
            if limit != "none":
                resource.setrlimit(resource.RLIMIT_FSIZE, (int(limit), resource.RLIM_INFINITY))
            try:
                report = write_handover(
                    session, production, clips, to=Path(to), settings=load_settings(home=Path(home)), query=""
                )
                said = report.as_json()
            except AppError as error:
                said = {"error": type(error).__name__, "path": error.path, "remedy": error.remedy}
            resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
            print(json.dumps(said), flush=True)
    engine.dispose()


if __name__ == "__main__":
    main(*sys.argv[1:])
