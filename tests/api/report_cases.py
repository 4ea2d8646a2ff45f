"""Offloads to report on: an ordinary one, one in which much went wrong, and one of any number of files."""

from __future__ import annotations

import datetime as dt
import re
import zlib
from dataclasses import dataclass
from typing import Any

from sqlalchemy.orm import Session

from shared.models import CameraKind, Card, Offload, OffloadState, ZoneRule
from tests import factories as make

ENDED = dt.datetime(2026, 5, 12, 17, 31, 40, tzinfo=dt.UTC)
STARTED = ENDED - dt.timedelta(seconds=200, milliseconds=500)
PLACES = ("/drives/north", "/drives/south")
HOSTILE = "D/<script>alert(1)</script>\"'&\u202egpj.\u0007  two\nlines.MOV"
BAD = "DCIM/100CLIPS/BAD0001.MOV"
GONE = "DCIM/100CLIPS/GONE0001.MOV"


def a_file(
    path: str, size: int = 1000, states: tuple[str, ...] = ("verified", "verified"), **more: Any
) -> Any:
    copies = [{"destination": place, "state": state} for place, state in zip(PLACES, states, strict=True)]
    digest = f"{zlib.crc32(path.encode()):032x}"
    value = None if "problem" in more else digest
    return {
        "path": path,
        "size": size,
        "hash": {"algorithm": "xxh128", "value": value},
        "copies": copies,
    } | more


def a_report(files: list[Any], **more: Any) -> dict[str, Any]:
    destinations = [
        {
            "destination": place,
            "folder": f"{place}/the-chain-ferry/2026-05-12/A001",
            "files": len(files),
            "verified": sum(file["copies"][number]["state"] == "verified" for file in files),
            "kept": 0,
            "differs": sum(file["copies"][number]["state"] == "differs" for file in files),
            "missing": sum(file["copies"][number]["state"] == "missing" for file in files),
            "read_back": "medium",
            "stopped": None,
        }
        for number, place in enumerate(PLACES)
    ]
    return {
        "reel": "A001",
        "algorithm": "xxh128",
        "started_at": STARTED.isoformat(),
        "ended_at": ENDED.isoformat(),
        "seconds": 200.5,
        "bytes_on_card": 16_040_000_000,
        "bytes_read": 16_040_000_000,
        "bytes_written": 32_080_000_000,
        "destinations": destinations,
        "warnings": [],
        "left_out": [],
        "files": files,
        "problems": [],
        "verdict": {"may_be_formatted": True, "reasons": []},
    } | more


def bad_report() -> dict[str, Any]:
    """Every kind of problem, each with words of its own."""
    files = [
        a_file("DCIM/100CLIPS/C0001.MOV", 2_307_082),
        a_file(BAD, 4_000, ("verified", "differs")),
        a_file(GONE, 9, ("missing", "missing"), problem="the card gives an error"),
        a_file(HOSTILE, 12, ("verified", "missing")),
    ]
    report = a_report(
        files,
        warnings=["/drives/south is on the same drive as /drives/north: they count as one copy."],
        left_out=[
            {"path": ".DS_Store", "reason": "left by a computer", "junk": True},
            {"path": "PRIVATE/pipe", "reason": "a pipe, not followed", "junk": False},
        ],
        problems=[
            {
                "kind": "card",
                "path": GONE,
                "message": "the card gives an error",
                "remedy": "Try another reader.",
            },
            {
                "kind": "destination",
                "path": PLACES[1],
                "message": "the drive is full",
                "remedy": "Free space.",
            },
            {"kind": "copy", "path": BAD, "message": "xxh128 differs", "remedy": "Run it again."},
            {"kind": "media", "path": HOSTILE, "message": "no parser could read it", "remedy": None},
        ],
        verdict={"may_be_formatted": False, "reasons": [f"1 file with a problem: {GONE}", "2 files too few"]},
    )
    report["destinations"][1] |= {"stopped": "the drive is full", "read_back": "memory possible", "kept": 1}
    return report


def add_offload(session: Session, report: dict[str, Any], **values: Any) -> Offload:
    """An offload of reel A001 with this result, in a new production."""
    production = make.make_production(session)
    day = make.make_day(session, production, date=dt.date(2026, 5, 12))
    camera = make.make_camera(
        session, production, letter="A", name="Main camera", kind=CameraKind.CAMERA, zone_rule=ZoneRule.LOCAL
    )
    card = Card(label="A01", volume_name="RIVER", filesystem="exfat", capacity_bytes=64_000_000_000)
    session.add(card)
    session.flush()
    reel = make.make_reel(
        session, production, name="A001", camera_id=camera.id, day_id=day.id, card_id=card.id
    )
    times = {"started_at": STARTED, "ended_at": ENDED}
    defaults = {"source": "/media/maker/A 01", "state": OffloadState.DONE}
    return make.make_offload(session, reel, report=report, **(defaults | times | values))


# -- a PDF, read back ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ReadPdf:
    """What a reader finds: one text a page, its lines as they were drawn."""

    pages: tuple[str, ...]
    title: str
    fonts: tuple[bytes, ...]

    @property
    def text(self) -> str:
        return "\n".join(self.pages)


def read_pdf(data: bytes) -> ReadPdf:
    """Follow the file as a reader does (ISO 32000-1, 7.5): from its end to the table, to pages and fonts."""
    assert data.startswith(b"%PDF-1.7\n") and data.endswith(b"%%EOF\n")
    start = int(data.rsplit(b"startxref\n", 1)[1].split()[0])
    table = data[start:].splitlines()
    count = int(table[1].split()[1])
    objects = {}
    for number in range(1, count):
        place = int(table[2 + number].split()[0])
        head = b"%d 0 obj\n" % number
        assert data[place:].startswith(head), f"object {number} is not where the table has it"
        objects[number] = _read_object(data, place + len(head))
    trailer = data[start:]
    root = objects[_refer(trailer, b"Root")][0]
    tree = objects[_refer(root, b"Pages")][0]
    kids = [int(kid) for kid in re.findall(rb"(\d+) 0 R", tree.split(b"/Kids", 1)[1])]
    assert len(kids) == int(re.search(rb"/Count (\d+)", tree)[1])  # type: ignore[index]
    resources = objects[_refer(objects[kids[0]][0], b"Resources")][0]
    fonts = {name: objects[int(at)][0] for name, at in re.findall(rb"/(F\d+) (\d+) 0 R", resources)}
    maps = {name: _read_map(objects[_refer(font, b"ToUnicode")][1]) for name, font in fonts.items()}
    total = _read_text(objects[_refer(resources, b"Total")][1], maps)
    pages = [
        _read_text(objects[_refer(objects[kid][0], b"Contents")][1], maps).replace("\0", total)
        for kid in kids
    ]
    title = re.search(rb"/Title <FEFF([0-9a-f]*)>", objects[_refer(trailer, b"Info")][0])
    assert title is not None
    files = [
        objects[_refer(objects[_refer(objects[below][0], b"FontDescriptor")][0], b"FontFile2")][1]
        for below in (_refer(font, b"DescendantFonts") for font in fonts.values())
    ]
    return ReadPdf(tuple(pages), bytes.fromhex(title[1].decode()).decode("utf-16-be"), tuple(files))


def _refer(where: bytes, name: bytes) -> int:
    found = re.search(rb"/" + name + rb"\[? ?(\d+) 0 R", where)
    assert found is not None, name
    return int(found[1])


def _read_object(data: bytes, place: int) -> tuple[bytes, bytes]:
    """The dictionary, and what the stream unpacks to."""
    found = re.compile(rb"<</Length (\d+)[^\n]*\nstream\n").match(data, place)
    if found is None:
        return data[place : data.index(b"\nendobj", place)], b""
    packed = data[found.end() : found.end() + int(found[1])]
    assert data[found.end() + int(found[1]) :].startswith(b"\nendstream\nendobj\n")
    return found[0], zlib.decompress(packed)


def _read_map(data: bytes) -> dict[str, str]:
    pairs = re.findall(rb"<([0-9a-f]{4})> <([0-9a-f]+)>", data)
    return {code.decode(): bytes.fromhex(text.decode()).decode("utf-16-be") for code, text in pairs}


def _read_text(content: bytes, maps: dict[bytes, dict[str, str]]) -> str:
    """Each line drawn; where the form with the number of pages stands, a NUL."""
    lines = []
    for drawn in content.splitlines():
        runs = re.findall(rb"/(F\d+) [\d.]+ Tf <([0-9a-f]*)> Tj", drawn)
        if runs:
            texts = (
                "".join(maps[font][codes.decode()[at : at + 4]] for at in range(0, len(codes), 4))
                for font, codes in runs
            )
            lines.append("".join(texts))
        elif b"/Total Do" in drawn:
            lines[-1] += "\0"
    return "\n".join(lines)
