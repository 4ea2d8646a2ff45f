"""A photograph of an outline handed over, read back with OpenTimelineIO and its CMX 3600 adapter.

A frame that is held is OpenTimelineIO's `FreezeFrame`, whose time scalar is 0 (its schema), and an `M2` line
with a speed of 000.0 in a list, which the adapter reads as a `LinearTimeWarp` of 0.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

import opentimelineio as otio
import pytest
from sqlalchemy.orm import Session

from shared.catalogue.outlines import add_item, change_item
from shared.models import ClipMedia, ItemKind, Production
from tests.api.test_handover_outline import Cutting, spans, whole


@pytest.mark.parametrize("edit", [(25, 1, False), (30000, 1001, True)], ids=["25", "29.97 drop-frame"])
def test_a_photograph_is_one_frame_that_is_held(
    session: Session, production: Production, tmp_path: Path, edit: tuple[int, int, bool]
) -> None:
    cutting = Cutting(session, production, tmp_path, edit)
    picture = cutting.scene.add_clip(
        cutting.scene.add_reel("P001"), "OLD FERRY.JPG", media=ClipMedia.IMAGE, rate_num=None, rate_den=None,
        frames=None,
    )  # fmt: skip
    stands = {"clip": picture.id, "in": 0, "out": 4000}
    cutting.title(2000)
    add_item(cutting.edit, cutting.outline, ItemKind.SCENE, {"parts": [stands], "name": "the old ferry"})
    item = cutting.add(cutting.clips[2], 0, 100)
    change_item(cutting.edit, item, {"covers": [{**stands, "out": 1000, "at": 25}]})
    rate = cutting.rate
    two, four, one = (round(seconds * rate.fraction) for seconds in (2, 4, 1))
    report = cutting.scene.hand_over(*cutting.clips, picture)
    timeline = otio.adapters.read_from_file(str(report.folder / "outline_the_film_fast.otio"))
    tracks = {track.name: list(spans(track)) for track in timeline.tracks}
    still, start, frames = tracks["V1"][1]
    assert (type(still), start, frames) == (otio.schema.Clip, two, four)
    assert [type(effect) for effect in still.effects] == [otio.schema.FreezeFrame]
    assert still.effects[0].time_scalar == 0
    assert still.name == "OLD FERRY.JPG" and "OLD%20FERRY.JPG" in still.media_reference.target_url
    whole_of_it = still.media_reference.available_range
    assert (whole(whole_of_it.start_time.value), whole(whole_of_it.duration.value)) == (0, 1)
    lying = [(start, frames) for item, start, frames in tracks["V2"] if isinstance(item, otio.schema.Clip)]
    assert lying == [(two + four + 25, one)]
    assert all(item.name != "OLD FERRY.JPG" for item, _, _ in tracks["A1"]), "it has no sound"
    assert tracks["A1"][-1][1] == two + four, "and takes its time there"

    text = (report.folder / "edit_lists/outline_the_film_fast_picture_1.edl").read_text(encoding="ascii")
    assert f"* A PHOTOGRAPH: ONE PICTURE WITHOUT TIMECODE, HELD FOR {four} FRAMES" in text
    (track,) = otio.adapters.read_from_string(text, "cmx_3600", rate=float(rate.fraction)).tracks
    held = [(start, frames) for item, start, frames in spans(track) if item.effects]
    assert held == [(two, four), (two + four + 25, one)]
    for item, _, _ in spans(track):
        assert [effect.time_scalar for effect in item.effects] == (
            [0.0] if item.name == "OLD FERRY.JPG" else []
        )
    sound = (report.folder / "edit_lists/outline_the_film_fast_sound_1.edl").read_text(encoding="ascii")
    assert "OLD FERRY" not in sound and "M2" not in sound
    (heard,) = otio.adapters.read_from_string(sound, "cmx_3600", rate=float(rate.fraction)).tracks
    assert [(start, frames) for _, start, frames in spans(heard)][:2] == [(0, two), (two, four)]

    table = (report.folder / "outline_the_film_fast.csv").read_bytes().decode("utf-8-sig")
    row = list(csv.DictReader(io.StringIO(table, newline="")))[1]
    assert (row["rate"], row["frames"], row["length_is"], row["tc_in"]) == (
        "photograph",
        str(four),
        "set",
        "",
    )
    page = (report.folder / "outline_the_film_fast.html").read_text()
    assert "held for 00:00:04" in page
    assert "lay the photograph in by hand" in " ".join((report.folder / "README.txt").read_text().split())
