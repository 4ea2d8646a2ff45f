"""A report is written whole or not at all, and never over anything."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy.orm import Session

from api.report import read_sheet, write_report
from shared.errors import DestinationError, UsageError
from shared.models import Offload
from tests.api.report_cases import ENDED, a_file, a_report, add_offload, bad_report, read_pdf

STEM = "A001_offload_2026-05-12_193140"
ROOT = Path(__file__).parents[2]


@pytest.fixture
def offload(session: Session) -> Offload:
    return add_offload(session, bad_report())


@pytest.fixture
def to(tmp_path: Path) -> Path:
    folder = tmp_path / "reports"
    folder.mkdir()
    return folder


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_two_files_named_by_reel_and_end(session: Session, offload: Offload, to: Path) -> None:
    page, pdf = write_report(session, offload, to)
    assert (page, pdf) == (to / f"{STEM}.html", to / f"{STEM}.pdf")
    assert names(to) == {f"{STEM}.html", f"{STEM}.pdf"}
    assert page.read_text(encoding="utf-8").rstrip().endswith("</html>")
    assert read_pdf(pdf.read_bytes()).pages


def test_the_same_offload_gives_the_same_bytes(session: Session, offload: Offload, to: Path) -> None:
    first, second = write_report(session, offload, to), write_report(session, offload, to)
    assert [one.read_bytes() for one in first] == [one.read_bytes() for one in second]


@pytest.mark.parametrize("taken", [".html", ".pdf", ".html.partial", ".pdf.partial"])
def test_nothing_is_overwritten(session: Session, offload: Offload, to: Path, taken: str) -> None:
    (to / f"{STEM}{taken}").write_text("mine")
    page, pdf = write_report(session, offload, to)
    assert (page.name, pdf.name) == (f"{STEM}_2.html", f"{STEM}_2.pdf")
    assert (to / f"{STEM}{taken}").read_text() == "mine"
    assert len(names(to)) == 3


def test_a_dangling_link_is_a_name_that_is_taken(session: Session, offload: Offload, to: Path) -> None:
    (to / f"{STEM}.pdf").symlink_to(to.parent / "elsewhere")
    assert write_report(session, offload, to)[1].name == f"{STEM}_2.pdf"
    assert not (to.parent / "elsewhere").exists()


def test_a_name_taken_while_it_was_written_is_left_alone(
    session: Session, offload: Offload, to: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody puts a file where the PDF is to go, at the last moment."""
    link = os.link

    def late(source: Path, target: Path) -> None:
        if target.name.endswith(".pdf"):
            target.write_text("mine")
        link(source, target)

    monkeypatch.setattr(os, "link", late)
    with pytest.raises(DestinationError) as raised:
        write_report(session, offload, to)
    assert raised.value.path == str(to / f"{STEM}.pdf") and raised.value.remedy
    assert names(to) == {f"{STEM}.pdf"} and (to / f"{STEM}.pdf").read_text() == "mine"


def test_where_a_drive_has_no_second_names(
    session: Session, offload: Offload, to: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """FAT and exFAT refuse link(2) with EPERM (its manual page)."""

    def refuse(*_: Any) -> None:
        raise OSError(errno.EPERM, os.strerror(errno.EPERM))

    monkeypatch.setattr(os, "link", refuse)
    write_report(session, offload, to)
    assert names(to) == {f"{STEM}.html", f"{STEM}.pdf"}


def test_a_file_too_large_leaves_nothing_and_is_named(session: Session, catalogue_url: str, to: Path) -> None:
    """RLIMIT_FSIZE (POSIX setrlimit) fails the write itself, in a process of its own."""
    add_offload(session, a_report([a_file(f"C{n:04}.MOV") for n in range(500)]))
    session.commit()
    limits = ["1", "5000", "60000", "140000"]
    child = subprocess.run(
        [sys.executable, "-m", "tests.api.report_child", catalogue_url, str(to), *limits, "none"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    said = [json.loads(line) for line in child.stdout.splitlines()]
    failed = [one for one in said if "error" in one]
    assert len(failed) >= 3 and said[-1]["files"], said
    for one in failed:
        assert one["error"] == "DestinationError" and "rushlight report" in one["remedy"]
        assert one["path"].startswith(str(to / STEM)) and one["path"].endswith(".partial")
    whole = {Path(path).name for one in said for path in one.get("files", ())}
    assert names(to) == whole


@pytest.mark.parametrize("there", [False, True])
def test_a_place_that_is_no_folder_is_refused(
    session: Session, offload: Offload, tmp_path: Path, there: bool
) -> None:
    if there:
        (tmp_path / "place").write_text("a file")
    with pytest.raises(UsageError, match="no such folder") as raised:
        write_report(session, offload, tmp_path / "place")
    assert raised.value.path == str(tmp_path / "place")


def test_a_reel_name_can_not_lead_out_of_the_folder(session: Session, to: Path) -> None:
    offload = add_offload(session, {}, ended_at=None)
    offload.reel.name = "../ö/x"
    assert read_sheet(offload).stem == "_____x_offload_2026-05-12_192819"
    offload.ended_at = ENDED
    assert all(path.parent == to for path in write_report(session, offload, to))
