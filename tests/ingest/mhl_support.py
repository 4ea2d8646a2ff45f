"""What the tests of hash lists share: real folders, hand-written documents, the published schema."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import xxhash
from lxml import etree

from ingest.durable import Disk
from ingest.mhl import FileHash, FileRecord, History, append_generation, read_history

SCHEMAS = Path(__file__).parents[2].parent / "shared" / "reference" / "asc_mhl"
NO_SCHEMA = f"the published ASC MHL schema is not beside the repository ({SCHEMAS.name})"
START = datetime(2031, 5, 4, 6, 7, 8, tzinfo=UTC)
MTIME = datetime(2031, 5, 3, 20, 0, 0, 250000, tzinfo=UTC)
EMPTY_C4 = "c459dsjfscH38cYeXXYogktxf4Cd9ibshE3BHUo6a58hBXmRQdZrAkZzsWcbWtDg5oQstpDuni4Hirj75GEmTc1sFT"


def c4_by_hand(data: bytes) -> str:
    """SMPTE ST 2114, written a second time: find each digit from the most significant one down."""
    alphabet = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"
    rest = int(hashlib.sha512(data).hexdigest(), 16)
    text = "c4"
    for place in range(87, -1, -1):
        digit = rest // 58**place
        rest -= digit * 58**place
        text += alphabet[digit]
    return text


def xxh128(data: bytes) -> str:
    return str(xxhash.xxh3_128_hexdigest(data))


def make_tree(root: Path, files: dict[str, bytes]) -> None:
    for path, data in files.items():
        (root / path).parent.mkdir(parents=True, exist_ok=True)
        (root / path).write_bytes(data)


def record(path: str, data: bytes = b"frames", *, previous: str | None = None) -> FileRecord:
    return FileRecord(path, len(data), MTIME, (FileHash("xxh128", xxh128(data)),), previous)


def records_of(root: Path) -> Iterator[FileRecord]:
    """A record of every file below a real folder, histories left out."""
    for folder, names, files in os.walk(root):
        names[:] = sorted(name for name in names if name != "ascmhl")
        for name in sorted(files):
            path = Path(folder) / name
            yield record(path.relative_to(root).as_posix(), path.read_bytes())


def append(root: Path, files: Sequence[FileRecord], *, minute: int = 0, **options: Any) -> Path:
    """A generation with the usual options; `minute` sets when it began."""
    chosen: dict[str, Any] = {"process": "transfer", "algorithm": "xxh128", "complete": False} | options
    disk: Disk = chosen.pop("disk", None) or Disk()
    return append_generation(disk, root, files, started_at=START + timedelta(minutes=minute), **chosen)


def history_of(root: Path) -> History:
    history = read_history(None, root)
    assert history is not None
    return history


def manifest_text(
    records: str = "",
    *,
    ignore: Sequence[str] = (),
    roothash: str = "",
    before: str = "",
    after: str = "",
    prolog: str = '<?xml version="1.0" encoding="UTF-8"?>',
    hashes: bool = True,
) -> str:
    """A manifest written by hand. `before` and `after` stand around `hashes`."""
    patterns = "".join(f"<pattern>{one}</pattern>" for one in (".DS_Store", "ascmhl/", *ignore))
    body = f"<hashes>{records}</hashes>" if hashes else ""
    return f"""{prolog}
<hashlist xmlns="urn:ASC:MHL:v2.0" version="2.0">
  <creatorinfo>
    <creationdate>2031-05-04T08:07:09+02:00</creationdate>
    <hostname>ferry-desk</hostname>
    <tool version="1.2">handwork</tool>
  </creatorinfo>
  <processinfo><process>in-place</process>{roothash}<ignore>{patterns}</ignore></processinfo>
  {before}{body}{after}
</hashlist>
"""


def hash_text(
    path: str, value: str = "0" * 32, *, action: str = ' action="original"', extra: str = ""
) -> str:
    return f"<hash><path>{path}</path><xxh128{action}>{value}</xxh128>{extra}</hash>"


def chain_text(entries: Sequence[tuple[object, str, str]]) -> str:
    lines = "".join(
        f'<hashlist sequencenr="{number}"><path>{name}</path><c4>{c4}</c4></hashlist>'
        for number, name, c4 in entries
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>'
        f'<ascmhldirectory xmlns="urn:ASC:MHL:DIRECTORY:v2.0">{lines}</ascmhldirectory>'
    )


def name_of(number: int) -> str:
    return f"{number:04d}_reel_2031-05-04_06{number:02d}00Z.mhl"


def write_history(root: Path, manifests: Sequence[str | bytes]) -> None:
    """A history as somebody else would leave it, with a right chain."""
    folder = root / "ascmhl"
    folder.mkdir(parents=True, exist_ok=True)
    entries: list[tuple[object, str, str]] = []
    for number, text in enumerate(manifests, 1):
        data = text.encode() if isinstance(text, str) else text
        (folder / name_of(number)).write_bytes(data)
        entries.append((number, name_of(number), c4_by_hand(data)))
    (folder / "ascmhl_chain.xml").write_text(chain_text(entries), "utf-8")


def schema(name: str) -> etree.XMLSchema:
    return etree.XMLSchema(etree.parse(str(SCHEMAS / name)))


def assert_fits_schema(root: Path) -> None:
    """Hold every manifest and chain below a folder against the published schema, where it is present."""
    if not SCHEMAS.is_dir():
        return
    manifest, chain = schema("ASCMHL.xsd"), schema("ASCMHLDirectory.xsd")
    for path in sorted(root.rglob("ascmhl/*")):
        if path.suffix == ".mhl":
            manifest.assertValid(etree.parse(str(path)))
        elif path.name == "ascmhl_chain.xml":
            chain.assertValid(etree.parse(str(path)))


_CALLS = frozenset(name for name in vars(Disk) if not name.startswith("_"))


class CountedDisk(Disk):
    """A real disk on which `fault` comes in place of the call with number `at` (from 1)."""

    def __init__(self, fault: Callable[[], None], at: int) -> None:
        self.calls: list[str] = []
        self.fault = fault
        self.at = at

    def __getattribute__(self, name: str) -> Any:
        found = super().__getattribute__(name)
        if name not in _CALLS:
            return found

        def counted(*arguments: Any, **options: Any) -> Any:
            self.calls.append(name)
            if len(self.calls) == self.at:
                self.fault()
            return found(*arguments, **options)

        return counted
