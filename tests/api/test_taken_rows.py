"""What the clip's page says of how a take was taken: stated, suggested and assumed are told apart."""

from __future__ import annotations

from typing import Any

from sqlalchemy.orm import Session

from api.pages.take import take_rows
from api.reads.clips import read_clip
from shared.models import Production
from tests import factories as make


def rows_of(session: Session, production: Production, more: dict[str, Any], **values: Any) -> dict[str, str]:
    clip = make.make_clip(session, make.make_reel(session, production), **values)
    make.make_facts(session, clip.files[0].file, more=more)
    return dict(take_rows(read_clip(session, clip.id)))


def test_an_assumed_lens_and_a_suggested_rate_say_that_they_are(
    session: Session, production: Production
) -> None:
    lens = make.make_lens(session, production, "35 mm")
    slow = {"capture_num": 100, "capture_den": 1, "capture_certainty": "suggested"}
    rows = rows_of(session, production, {}, lens_id=lens.id, lens_assumed=True, **slow)
    assert rows["Lens"] == "35 mm (assumed: the camera's usual lens)"
    assert rows["Rate"].startswith("25 frames a second")
    assert rows["Taken at"] == "100 frames a second (suggested by its times); the taking took 1.0 s"
    rows = rows_of(session, production, {}, lens_id=lens.id, **(slow | {"capture_certainty": "stated"}))
    assert rows["Lens"] == "35 mm"
    assert rows["Taken at"] == "100 frames a second; the taking took 1.0 s"


def test_what_the_file_says_stands_with_its_source(session: Session, production: Production) -> None:
    more = {
        "lens": {"lens_model": "Prime 85", "focal_length": "85", "source": "Exif"},
        "exposure": {"iso": "800", "source": "Exif"},
        "position": {"latitude": "55.6761", "longitude": "12.5683", "source": "Exif GPS"},
    }
    rows = rows_of(session, production, more)
    assert rows["Lens, by the file"] == "Lens model Prime 85 · Focal length 85 (Exif)"
    assert rows["Exposure"] == "Iso 800 (Exif)"
    assert rows["Position"] == "Latitude 55.6761 · Longitude 12.5683 (Exif GPS)"
    assert not {"Lens", "Taken at"} & rows.keys()
