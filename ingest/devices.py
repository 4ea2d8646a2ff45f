"""Which physical drive a folder is on: two copies on one drive are lost together."""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from pathlib import Path

_SYS = Path("/sys")
_PROC = Path("/proc/self")


def drives_of(handle: int, *, sys: Path = _SYS, proc: Path = _PROC) -> frozenset[str]:
    """Names of the physical drives below the file system that an open file or folder lies on.

    A file system that spans devices or keeps its own numbering (btrfs) is followed to its drives through
    the mount table; a network one counts as the machine that serves it. Where the system tells nothing
    (memory, other systems), the device number stands for the drive.
    """
    device = os.fstat(handle).st_dev
    if os.major(device) == 0 and (mounted := mount_under(handle, proc)) is not None:
        if (number := _block_device(mounted.source)) is not None:
            return _spanned(drives_under(number, sys), sys)
        if (server := _server(mounted)) is not None:
            return frozenset({server})
    return drives_under(device, sys)


def drives_under(device: int, sys: Path = _SYS) -> frozenset[str]:
    """Names of the physical drives below a block device's number.

    Partitions lead to their drive, layered devices (encryption, volume groups, arrays) to all drives
    they stand on. A number the system does not know stands for a drive; a loop device counts as one of
    its own.
    """
    name = f"{os.major(device)}:{os.minor(device)}"
    try:
        node = (sys / "dev" / "block" / name).resolve(strict=True)
    except OSError:
        return frozenset({name})
    return _whole_drives(node)


def _whole_drives(node: Path) -> frozenset[str]:
    if (node / "partition").exists():
        node = node.parent
    slaves = node / "slaves"
    below = sorted(slaves.iterdir()) if slaves.is_dir() else []
    if not below:
        return frozenset({node.name})
    return frozenset[str]().union(*(_whole_drives(slave.resolve()) for slave in below))


@dataclass(frozen=True, slots=True)
class Mounted:
    """A line of the mount table: the file system's type, and what it was mounted from."""

    filesystem: str
    source: str


def mount_under(handle: int, proc: Path = _PROC) -> Mounted | None:
    """The mount that an open file or folder was reached through (proc(5)); None where there is no table."""
    try:
        about = (proc / "fdinfo" / str(handle)).read_text()
        table = (proc / "mountinfo").read_text(errors="surrogateescape").splitlines()
    except OSError:
        return None
    number = next((line.split()[1] for line in about.splitlines() if line.startswith("mnt_id:")), None)
    for line in table:
        before, _, after = line.partition(" - ")
        if before.split(" ", 1)[0] == number:
            kind, source, *_ = after.split(" ")
            return Mounted(kind, source)
    return None


def _block_device(source: str) -> int | None:
    """The device number of what was mounted, when that is a block device."""
    if not source.startswith("/"):
        return None
    try:
        found = Path(source).stat()
    except OSError:
        return None
    return found.st_rdev if stat.S_ISBLK(found.st_mode) else None


def _server(mounted: Mounted) -> str | None:
    """The machine or pool that holds the bytes: two shares of one server are lost together."""
    if mounted.filesystem == "zfs":
        return f"zfs:{mounted.source.partition('/')[0]}"
    if mounted.source.startswith("//"):
        return mounted.source[2:].partition("/")[0].rpartition("@")[2].lower() or None
    host, colon, _ = mounted.source.partition(":/")
    return host.rpartition("@")[2].lower() if colon and host else None


def _spanned(drives: frozenset[str], sys: Path) -> frozenset[str]:
    """All drives of a btrfs file system of which some are known: data may lie on any of them."""
    for members in sorted(sys.glob("fs/btrfs/*/devices")):
        all_drives = frozenset[str]().union(*(_whole_drives(one.resolve()) for one in members.iterdir()))
        if all_drives & drives:
            return all_drives | drives
    return drives
