"""Where previews lie: small films made of files that a browser can't play. Each can be made again."""

from __future__ import annotations

import hashlib
from pathlib import Path

FOLDER = "previews"


def preview_path(home: Path, digest: str) -> Path:
    """The preview of the file with this recorded hash ("xxh128:…"): another file has another one."""
    name = hashlib.blake2s(digest.encode(), digest_size=12).hexdigest()
    return home / FOLDER / f"{name}.mp4"
