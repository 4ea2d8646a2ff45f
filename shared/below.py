"""Open a file below a folder, one part of its path at a time and through no link.

Whoever can write to a drive can put a link there; following it would lead out of the folder.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
# Without O_NONBLOCK opening a pipe would wait for its writer.
_FILE = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC


def open_file_below(root: Path, path: bytes) -> int:
    """A handle on the regular file `root/path`; `/` stands between the parts of `path`.

    Raises OSError where it is not there, is no regular file, or is reached only through a link.
    """
    *folders, name = path.split(b"/")
    handle = os.open(root, _FOLDER & ~os.O_NOFOLLOW)  # the root itself was chosen by a person
    try:
        for part in folders:
            below = os.open(_plain(part), _FOLDER, dir_fd=handle)
            os.close(handle)
            handle = below
        file = os.open(_plain(name), _FILE, dir_fd=handle)
    finally:
        os.close(handle)
    if not stat.S_ISREG(os.fstat(file).st_mode):
        os.close(file)
        raise OSError(22, "no regular file")
    return file


def _plain(part: bytes) -> bytes:
    if part in (b"", b".", b"..") or b"\0" in part:
        raise OSError(22, "no plain relative path")
    return part
