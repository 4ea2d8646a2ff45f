"""Thousands of hostile media files through all that reads media: `python -m tests.soak_media [COUNT [SEED]]`.

Ends with 1 when a promise was broken, and names the mutants; the same seed makes the same ones.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.media_runs import run_mutants


def main() -> int:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 3000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    with tempfile.TemporaryDirectory() as folder:
        tally = run_mutants(Path(folder), seed, count)
    sys.stdout.write(f"seed {seed}: {tally}")
    return 1 if tally.broken else 0


if __name__ == "__main__":
    sys.exit(main())
