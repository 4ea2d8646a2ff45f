"""What the system says of the medium a folder is mounted from: its label, serial, format and size."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from ingest.plan import filesystem_of

_BY_UUID = Path("/dev/disk/by-uuid")
_BY_LABEL = Path("/dev/disk/by-label")


@dataclass(frozen=True, slots=True)
class Volume:
    """Identity of a volume; it changes at every format. None: the system does not say."""

    serial: str | None = None
    name: str | None = None
    filesystem: str | None = None
    capacity_bytes: int | None = None


def volume_of(folder: Path) -> Volume:
    """The volume of a folder that is a mount point; nothing for a plain folder, which has no identity."""
    real = folder.resolve()
    if not real.is_mount() or real == Path("/"):
        return Volume()
    size = os.statvfs(real)
    device = _device_of(real.stat().st_dev)
    return Volume(
        _named(_BY_UUID, device),
        _named(_BY_LABEL, device),
        filesystem_of(real),
        size.f_blocks * size.f_frsize,
    )


def _device_of(number: int) -> Path | None:
    node = Path(f"/sys/dev/block/{os.major(number)}:{os.minor(number)}")
    return Path("/dev") / node.resolve().name if node.exists() else None


def _named(folder: Path, device: Path | None) -> str | None:
    """The name under which a folder of links points at the device."""
    if device is None or not folder.is_dir():
        return None
    for link in sorted(folder.iterdir()):
        if link.resolve() == device:
            # udev writes characters it won't keep in a name as \xNN.
            return link.name.encode("latin-1", "replace").decode("unicode_escape", "replace")[:64]
    return None
