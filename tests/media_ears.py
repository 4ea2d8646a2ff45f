"""A process that reads the sound of one file after another, as hostile as they are, under the usual limits.

Run as `python -m tests.media_ears MEMORY_MIB SECONDS`. A path comes in as hexadecimal, one a line; out goes
"sound", "none", or the name of an error that no reader of sound may raise.
"""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path

from ingest.media.limits import limit_this_process
from shared.errors import MediaError

RATE, LONGEST = 8000, 60.0


def main() -> None:
    limit_this_process(int(sys.argv[1]))
    from ingest.media import describe  # noqa: F401  # loads every reader before a file may not be opened
    from ingest.sound.decode import Part, decode_parts

    sys.stdout.write("ready\n")
    sys.stdout.flush()
    for line in sys.stdin:
        signal.alarm(int(sys.argv[2]))  # not caught: it ends the process
        path = Path(os.fsdecode(bytes.fromhex(line.strip())))
        try:
            decode_parts([Part(path, 0.0)], RATE, 0.0, LONGEST)
            heard = "sound"
        except MediaError:
            heard = "none"
        except (Exception, MemoryError) as error:  # noqa: BLE001  # this is what is looked for
            heard = type(error).__name__
        signal.alarm(0)
        sys.stdout.write(heard + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
