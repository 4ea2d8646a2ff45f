"""The hash list of the hand-over's own files, as `sha256sum --check` reads it (GNU coreutils).

SHA-256 by FIPS 180-4. It tells whether a copy of the folder is whole, not who made it.
"""

from __future__ import annotations

import hashlib

from api.handover.folder import Draft

SUMS_NAME = "SHA256SUMS"
_PIECE = 1 << 20


def write_sums(draft: Draft) -> None:
    """Write `SHA256SUMS` over every file written so far, read again from the folder; to be called last."""
    lines = [_line(draft, name) for name in sorted(draft.files)]
    draft.write(SUMS_NAME, "".join(lines).encode("utf-8", "surrogateescape"))


def _line(draft: Draft, name: str) -> str:
    digest = hashlib.sha256()
    with draft.reread(name) as file:
        while piece := file.read(_PIECE):
            digest.update(piece)
    # By the manual: a name with a backslash or a line break is escaped, and its line begins with one.
    escaped = name.replace("\\", "\\\\").replace("\n", "\\n").replace("\r", "\\r")
    return f"{'' if escaped == name else chr(92)}{digest.hexdigest()}  {escaped}\n"
