"""Which physical drive a folder is on, told from trees as Linux shows them in /sys and /proc."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from ingest.devices import Mounted, drives_of, drives_under, mount_under
from ingest.durable import Disk


class System:
    """A /sys of our own: drives, partitions and layers upon them, as sysfs lays them out."""

    def __init__(self, root: Path) -> None:
        self.root = root
        (root / "dev/block").mkdir(parents=True)
        self._minor = 0

    def drive(self, name: str, below: str = "devices/pci0000:00/usb1") -> Path:
        node = self.root / below / "block" / name
        node.mkdir(parents=True)
        self._number(node)
        return node

    def partition(self, drive: Path, name: str) -> Path:
        node = drive / name
        node.mkdir()
        (node / "partition").write_text("1\n")
        self._number(node)
        return node

    def layer(self, name: str, *below: Path) -> Path:
        """A device mapper's or an array's device upon others."""
        node = self.root / "devices/virtual/block" / name
        (node / "slaves").mkdir(parents=True)
        for device in below:
            (node / "slaves" / device.name).symlink_to(device)
        self._number(node)
        return node

    def btrfs(self, name: str, *devices: Path) -> None:
        folder = self.root / "fs/btrfs" / name / "devices"
        folder.mkdir(parents=True)
        for device in devices:
            (folder / device.name).symlink_to(device)

    def _number(self, node: Path) -> None:
        self._minor += 1
        (node / "dev").write_text(f"8:{self._minor}\n")
        (self.root / "dev/block" / f"8:{self._minor}").symlink_to(node)

    def device(self, node: Path) -> int:
        major, minor = (node / "dev").read_text().split(":")
        return os.makedev(int(major), int(minor))

    def drives(self, node: Path) -> set[str]:
        return set(drives_under(self.device(node), self.root))


@pytest.fixture
def system(tmp_path: Path) -> System:
    return System(tmp_path / "sys")


def test_partitions_lead_to_their_drive(system: System) -> None:
    drive = system.drive("sda")
    first, second = system.partition(drive, "sda1"), system.partition(drive, "sda2")
    other = system.partition(system.drive("nvme0n1"), "nvme0n1p1")
    assert system.drives(drive) == system.drives(first) == system.drives(second) == {"sda"}
    assert system.drives(other) == {"nvme0n1"}


def test_layers_lead_to_all_drives_below(system: System) -> None:
    sda, sdb, sdc = (system.drive(name, f"devices/{name}") for name in ("sda", "sdb", "sdc"))
    encrypted = system.layer("dm-0", system.partition(sda, "sda3"))
    volume = system.layer("dm-1", encrypted)
    array = system.layer("md0", system.partition(sda, "sda1"), system.partition(sdb, "sdb1"))
    group = system.layer("dm-2", array, sdc)
    assert system.drives(encrypted) == system.drives(volume) == {"sda"}
    assert system.drives(array) == {"sda", "sdb"}
    assert system.drives(group) == {"sda", "sdb", "sdc"}


def test_a_loop_device_is_one_of_its_own_and_an_unknown_number_stands_for_a_drive(system: System) -> None:
    loop = system.drive("loop0", "devices/virtual")
    (loop / "slaves").mkdir()
    assert system.drives(loop) == {"loop0"}
    assert drives_under(os.makedev(0, 77), system.root) == {"0:77"}
    assert drives_under(os.makedev(0, 77), system.root) != drives_under(os.makedev(0, 78), system.root)


# --- file systems with numbers of their own ----------------------------------------------------------------


class Table:
    """A /proc/self of our own in which one open folder is reached through a mount we choose."""

    def __init__(self, root: Path, handle: int) -> None:
        self.root = root
        self.handle = handle
        (root / "fdinfo").mkdir(parents=True)
        (root / "fdinfo" / str(handle)).write_text("pos:\t0\nflags:\t0100000\nmnt_id:\t42\nino:\t2\n")

    def mounted(self, filesystem: str, source: str) -> None:
        """Lines as proc(5) describes them: optional fields before the hyphen, escaped spaces."""
        (self.root / "mountinfo").write_text(
            "7 1 8:9 / / rw shared:1 - ext4 /dev/root rw\n"
            f"42 7 0:55 /sub /mnt/a\\040drive rw,noatime shared:7 master:2 - {filesystem} {source} rw,a=b\n"
            "421 7 0:56 / /mnt/other rw - tmpfs tmpfs rw\n"
        )


@pytest.fixture
def memory_handle() -> int:
    if not Path("/dev/shm").is_dir() or os.major(Path("/dev/shm").stat().st_dev) != 0:
        pytest.skip("this machine has no file system in memory at /dev/shm")
    return os.open("/dev/shm", os.O_RDONLY | os.O_DIRECTORY)


@pytest.fixture
def table(tmp_path: Path, memory_handle: int, request: pytest.FixtureRequest) -> Table:
    request.addfinalizer(lambda: os.close(memory_handle))
    return Table(tmp_path / "proc", memory_handle)


@pytest.mark.parametrize(
    ("filesystem", "source", "drives"),
    [
        ("nfs4", "store.local:/films", {"store.local"}),
        ("nfs4", "Store.local:/other", {"store.local"}),
        ("nfs", "[fe80::1]:/films", {"[fe80::1]"}),
        ("cifs", "//nas/films", {"nas"}),
        ("cifs", "//me@NAS/other", {"nas"}),
        ("fuse.sshfs", "me@nas:/films", {"nas"}),
        ("zfs", "tank/films", {"zfs:tank"}),
        ("zfs", "tank/other", {"zfs:tank"}),
    ],
)
def test_shares_of_one_server_are_one_drive(
    table: Table, system: System, filesystem: str, source: str, drives: set[str]
) -> None:
    table.mounted(filesystem, source)
    assert drives_of(table.handle, sys=system.root, proc=table.root) == drives


@pytest.mark.parametrize(
    ("filesystem", "source"), [("tmpfs", "tmpfs"), ("overlay", "overlay"), ("btrfs", "/dev/gone")]
)
def test_what_the_system_does_not_tell_stands_for_itself(
    table: Table, system: System, filesystem: str, source: str
) -> None:
    table.mounted(filesystem, source)
    device = os.fstat(table.handle).st_dev
    assert drives_of(table.handle, sys=system.root, proc=table.root) == {
        f"{os.major(device)}:{os.minor(device)}"
    }


def _block_device_of_this_machine() -> tuple[Path, int] | None:
    for node in sorted(Path("/dev").glob("[svn][dv]*")):
        if node.is_block_device():
            return node, node.stat().st_rdev
    return None


def test_subvolumes_of_one_btrfs_are_one_drive_and_so_are_all_its_members(
    table: Table, system: System
) -> None:
    """btrfs gives each subvolume a device number of its own; the mount table still names the device."""
    real = _block_device_of_this_machine()
    if real is None:
        pytest.skip("this machine shows no block device in /dev")
    node, number = real
    sda, sdb = system.drive("sda", "devices/a"), system.drive("sdb", "devices/b")
    name = f"{os.major(number)}:{os.minor(number)}"
    if not (system.root / "dev/block" / name).exists():
        (system.root / "dev/block" / name).symlink_to(sda)
    table.mounted("btrfs", str(node))
    assert drives_of(table.handle, sys=system.root, proc=table.root) == {"sda"}
    system.btrfs("c0ffee", system.partition(sda, "sda1"), sdb)
    assert drives_of(table.handle, sys=system.root, proc=table.root) == {"sda", "sdb"}


def test_without_a_mount_table_the_number_stands_for_the_drive(table: Table, system: System) -> None:
    assert mount_under(table.handle, table.root) is None
    assert len(drives_of(table.handle, sys=system.root, proc=table.root)) == 1


def test_this_machines_own_table_is_read(tmp_path: Path) -> None:
    if not Path("/proc/self/mountinfo").exists():
        pytest.skip("this system has no /proc/self/mountinfo")
    handle = os.open("/proc/self", os.O_RDONLY | os.O_DIRECTORY)
    try:
        mounted = mount_under(handle)
        assert isinstance(mounted, Mounted)
        assert mounted.filesystem == "proc"
        assert Disk().drives(handle)
    finally:
        os.close(handle)
