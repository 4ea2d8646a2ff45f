"""A small production on real folders for the tests of the hand-over: copies, stills and hash lists exist."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from PIL import Image, ImageDraw
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.handover import HandoverReport, write_handover
from shared.models import (
    Clip,
    ClipMedia,
    CopyState,
    Destination,
    File,
    LogEntry,
    Moment,
    Production,
    Reel,
)
from shared.names import display
from shared.settings import Settings, load_settings
from tests.factories import (
    make_clip,
    make_clip_file,
    make_copy,
    make_destination,
    make_facts,
    make_file,
    make_reel,
    make_still,
)

MADE_AT = dt.datetime(2026, 5, 14, 16, 20, tzinfo=dt.UTC)


# Every rate an editor meets, with a start and a length that cross what is special about it.
RATES = (
    pytest.param(24000, 1001, False, 86399, 100, id="23.976"),
    pytest.param(24, 1, False, 24 * 3600, 1, id="24"),
    pytest.param(25, 1, False, 90000, 1501, id="25"),
    pytest.param(30000, 1001, True, 1798, 20000, id="29.97 drop-frame over a minute and a tenth"),
    pytest.param(30000, 1001, False, 107999, 1800, id="29.97 non-drop"),
    pytest.param(50, 1, False, 180049, 75, id="50"),
    pytest.param(60000, 1001, True, 3598, 400, id="59.94 drop-frame"),
    pytest.param(25, 1, False, 2159990, 25, id="25 over midnight"),
)

# Names that a card may hold and that something stumbles over.
HOSTILE = (
    b"line\nbreak.MOV",
    "turned\u202egnp.MOV".encode(),
    b"<script>alert(1)<script>.MOV",
    "ferry \U0001f6a2 \U0001f469\u200d\U0001f680.MOV".encode(),
    b"n" * 196 + b".MOV",
    b"=cmd|' .MOV",
    b"not utf-8 \xff\xfe.MOV",
    b"back\\slash.MOV",
    b"semi;=colon, comma.MOV",
    b"100%25 #?.MOV",
)


@dataclass
class Scene:
    """A catalogue and the folders it speaks of: two destinations, a home with stills, a place to write to."""

    session: Session
    production: Production
    base: Path
    destinations: list[Destination] = field(default_factory=list)

    def __post_init__(self) -> None:
        for name in ("drive a", "drive-b"):
            folder = self.base / name
            folder.mkdir()
            self.destinations.append(make_destination(self.session, str(folder), name=name))
        self.to.mkdir()

    @property
    def to(self) -> Path:
        return self.base / "out"

    @property
    def settings(self) -> Settings:
        return load_settings(home=self.base / "home")

    def add_reel(self, name: str, **values: Any) -> Reel:
        """A reel with a hash list at every destination."""
        reel = make_reel(self.session, self.production, name=name, **values)
        for destination in self.destinations:
            history = Path(destination.path) / reel.folder / "ascmhl"
            history.mkdir(parents=True)
            (history / f"0001_{name}_2026-05-12_180000Z.mhl").write_bytes(f"list of {name}".encode())
            (history / "ascmhl_chain.xml").write_bytes(b"<chain/>")
        return reel

    def add_clip(self, reel: Reel, path: str | bytes = "", **values: Any) -> Clip:
        """A clip of one file with a copy, really there, at both destinations. `facts`: of that file."""
        facts: dict[str, Any] = values.pop("facts", {})
        raw = path.encode() if isinstance(path, str) else path
        clip = make_clip(self.session, reel, display(raw) if raw else None, **values)
        file = clip.files[0].file
        if raw:
            file.path_bytes = raw
        if clip.media is ClipMedia.VIDEO:
            usual = {"rate_num": clip.rate_num, "rate_den": clip.rate_den, "frames": clip.frames}
            make_facts(self.session, file, **(usual | facts))
        elif facts:
            make_facts(self.session, file, **facts)
        self.add_copies(file)
        return clip

    def add_part(self, clip: Clip, path: str, **facts: Any) -> File:
        """One more essence file of a spanning clip."""
        file = make_file(self.session, clip.reel, path)
        make_clip_file(self.session, clip, file, ordinal=len(clip.files))
        self.session.expire(clip, ["files"])
        make_facts(self.session, file, **facts)
        self.add_copies(file)
        return file

    def add_copies(self, file: File, state: CopyState = CopyState.VERIFIED) -> None:
        for destination in self.destinations:
            make_copy(self.session, file, destination, state=state)
            copy = Path(destination.path, file.reel.folder, os.fsdecode(file.path_bytes))
            copy.parent.mkdir(parents=True, exist_ok=True)
            copy.write_bytes(f"media of file {file.id}".encode())

    def add_stills(self, clip: Clip, *pictures: Image.Image) -> None:
        for number, picture in enumerate(pictures):
            path = self.settings.stills_folder / f"{clip.id}/{number}.png"
            path.parent.mkdir(parents=True, exist_ok=True)
            picture.save(path)
            make_still(
                self.session,
                clip,
                ordinal=number,
                path=f"{clip.id}/{number}.png",
                width=picture.width,
                height=picture.height,
            )

    def add_moment(self, clip: Clip, first: int, end: int, name: str = "", **log: Any) -> Moment:
        moment = Moment(clip_id=clip.id, in_frame=first, out_frame=end, name=name)
        self.session.add(moment)
        self.session.flush()
        if log:
            self.session.add(LogEntry(moment_id=moment.id, **log))
            self.session.flush()
        return moment

    def every_clip(self) -> list[Clip]:
        return list(self.session.scalars(select(Clip)))

    def hand_over(self, *clips: Clip, **values: Any) -> HandoverReport:
        """Of these clips, as a caller that knows nothing but their ids would have them: all fresh."""
        self.session.flush()
        self.session.expire_all()
        arguments: dict[str, Any] = {
            "to": self.to,
            "settings": self.settings,
            "query": "",
            "made_at": MADE_AT,
        }
        return write_handover(self.session, self.production, clips, **(arguments | values))


def draw_picture(text: str, size: tuple[int, int] = (640, 360), colour: str = "#48627a") -> Image.Image:
    picture = Image.new("RGB", size, colour)
    draw = ImageDraw.Draw(picture)
    draw.ellipse((size[0] * 0.3, size[1] * 0.2, size[0] * 0.7, size[1] * 0.8), fill="#d9b48f")
    draw.text((12, 10), text, fill="white")
    return picture


def read_csv(report: HandoverReport) -> list[dict[str, str]]:
    text = (report.folder / "shot_log.csv").read_bytes().decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(text, newline="")))


def read_json(report: HandoverReport) -> dict[str, Any]:
    value: dict[str, Any] = json.loads((report.folder / "shot_log.json").read_bytes())
    return value
