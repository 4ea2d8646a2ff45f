"""Release status, rights and wanted shots in a hand-over: what is cleared, and not a name of who signed."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

from sqlalchemy.orm import Session

from api.handover import write_handover
from shared.catalogue.plan import put_answer, put_wish
from shared.catalogue.releases import put_release, release_values
from shared.catalogue.rows import RowsEdit
from shared.models import AnswerState, Production
from shared.settings import Settings
from tests import factories as make
from tests.api.catalogue import make_settings

SECRETS = ("Guardian Name", "signed-paper.pdf", "Only in the barn", "Called her at noon", "FORM-7")


def hand_over(
    session: Session, production: Production, settings: Settings, to: Path
) -> tuple[Path, list[dict[str, object]]]:
    from shared.catalogue.search import find_clips
    from shared.vocabulary import load_vocabulary

    to.mkdir()
    clips = find_clips(session, production, "", load_vocabulary()).clips
    report = write_handover(
        session, production, clips, to=to, settings=settings, query="",
        made_at=dt.datetime(2026, 6, 1, 12, tzinfo=dt.UTC),
    )  # fmt: skip
    rows = json.loads(next(report.folder.glob("*.json")).read_text())["clips"]
    return report.folder, rows


def test_what_is_cleared_is_said_without_a_name(
    session: Session, production: Production, tmp_path: Path
) -> None:
    reel = make.make_reel(session, production)
    ada, nell = (
        make.make_person(session, production, "Ada Wren"),
        make.make_person(session, production, "Nell"),
    )
    both, one, nobody = (make.make_clip(session, reel, f"C{n:04}.MP4") for n in range(3))
    make.make_entry(session, both, people=[ada, nell], place="Winch house")
    make.make_entry(session, one, people=[ada])
    make.make_entry(session, nobody, place="Quay")
    edit = RowsEdit(session, production, "ada", "plan")

    def note(**given: str) -> None:
        values = release_values(session, production, given)
        values["file_name"] = "signed-paper.pdf"
        put_release(edit, None, values)

    note(
        who="Ada Wren", signed="2026-05-01", media="online", territory="Denmark", until="2026-12-31",
        cut_downs="no", hide_face="yes", guardian="Guardian Name", restrictions="Only in the barn",
        note="Called her at noon", form="FORM-7",
    )  # fmt: skip
    note(kind="place", who="winch house")
    wish = put_wish(edit, None, {"what": "Ada speaks"})
    put_answer(edit, wish, clip=one, moment=None, state=AnswerState.CONFIRMED)
    put_answer(edit, wish, clip=both, moment=None, state=AnswerState.REFUSED)
    edit.close()
    folder, rows = hand_over(session, production, make_settings(tmp_path), tmp_path / "out")
    by_id = {row["clip_id"]: row for row in rows}
    assert by_id[both.id]["release_status"] == "1 of 2 people not cleared; 1 place not cleared"
    assert (by_id[one.id]["release_status"], by_id[nobody.id]["release_status"]) == ("cleared", None)
    assert by_id[one.id]["rights"] == [
        "person: media: online, territory: Denmark, until 2026-12-31, no cut-downs",
        "a face must be hidden",
        "further restrictions: ask who made this",
    ]
    assert (by_id[one.id]["wanted_shot"], by_id[both.id]["wanted_shot"]) == (["W1 Ada speaks"], None)
    for file in folder.rglob("*"):
        if file.is_file():
            assert not [secret for secret in SECRETS if secret.encode() in file.read_bytes()], file
    readme = (folder / "README.txt").read_text()
    assert "not cleared by a release in force: 1" in " ".join(readme.split())
