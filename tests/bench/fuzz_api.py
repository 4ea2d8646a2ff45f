"""Ask the running service whatever its OpenAPI document allows, and what it forbids, and see what it answers.

    python -m tests.bench.fuzz_api [EXAMPLES] [SEED]

The service runs in a process of its own over a seeded catalogue. A general-purpose tool, schemathesis, makes
the requests from the document and judges the answers: no 5xx, no status, type, header or body that the
document does not declare, no malformed request that is taken and no well-formed one that is refused for its
form. The suite runs the same with few examples, in tests/api/test_api_fuzz.py.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from shared.db import make_sessions, open_catalogue
from tests.api.catalogue import make_settings, put_copy, seed
from tests.api.test_api_serve import running

# What each check says stands in the tool's own help. Left out: that every well-formed body is taken (a
# production's name may be taken already), and authentication, which loopback has none of.
CHECKS = (
    "not_a_server_error,status_code_conformance,content_type_conformance,response_headers_conformance,"
    "response_schema_conformance,negative_data_rejection,unsupported_method,allow_header_conformance"
)


def fuzz(folder: Path, *, examples: int, seed_number: int, phases: str) -> subprocess.CompletedProcess[str]:
    """Run the service in this folder and the tool against it; the tool's exit code and words."""
    (folder / "media" / "A01").mkdir(parents=True)
    settings = make_settings(folder)
    url = settings.database_url
    engine = open_catalogue(url)
    sessions = make_sessions(engine)
    seed(sessions, settings.stills_folder)
    put_copy(sessions, folder / "north", b"moving pictures" * 100)
    engine.dispose()
    more = {
        "RUSHLIGHT_WATCH_FOLDERS": f'["{folder / "media"}"]',
        "RUSHLIGHT_DESTINATIONS": f'{{"North": "{folder / "north"}", "South": "{folder / "south"}"}}',
    }
    with running(settings, url, **more) as (_, address, _):
        return subprocess.run(
            [
                *(Path(sys.executable).with_name("schemathesis"), "run", f"{address}api/v1/openapi.json"),
                *("--phases", phases, "--checks", CHECKS, "--max-examples", str(examples)),
                *("--seed", str(seed_number), "--generation-database", "none", "--no-shrink", "--no-color"),
                *("--warnings", "off", "--suppress-health-check", "all"),
            ],
            cwd=folder,
            capture_output=True,
            text=True,
        )


def main() -> None:
    given = [int(one) for one in sys.argv[1:]]
    examples, seed_number = [*given, 200, 1][:2] if not given else [*given, 1][:2]
    with tempfile.TemporaryDirectory() as folder:
        ran = fuzz(
            Path(folder), examples=examples, seed_number=seed_number, phases="coverage,fuzzing,stateful"
        )
    print(ran.stdout, ran.stderr)
    sys.exit(ran.returncode)


if __name__ == "__main__":
    main()
