"""The report as a PDF: whole, numbered, with text that can be searched, and bounded whatever the card."""

from __future__ import annotations

import re
import shutil
import struct
import subprocess
import sys
import time
from io import BytesIO
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from PIL import ImageFont
from sqlalchemy.orm import Session

from api.report import draw_pdf, pdf, read_sheet
from api.report.truetype import TrueTypeFont
from tests.api.report_cases import BAD, GONE, a_file, a_report, add_offload, bad_report, read_pdf


def draw(session: Session, report: dict[str, Any], **values: Any) -> bytes:
    out = BytesIO()
    draw_pdf(read_sheet(add_offload(session, report, **values)), out)
    return out.getvalue()


def run(*words: str | Path) -> str:
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_what_matters_comes_first_and_everything_is_there(session: Session) -> None:
    report = bad_report()
    found = read_pdf(draw(session, report))
    text = found.text.replace("\u202f", " ")
    order = [
        "Offload of reel A001",
        "May this card be formatted?",
        "UTC+02:00: no.",
        f"1 file with a problem: {GONE}",
        "Formatting a card destroys the footage on it. This page is advice; the decision is yours.",
        "80.0 MB/s",
        "Stopped: the drive is full",
        f"Card: {GONE}",
        "Try another reader.",
        f"Copy: {BAD}",
        "a pipe, not followed",
        "4 files",
        "DCIM/100CLIPS/C0001.MOV\n2 307 082\nverified at 1 and 2\n" + report["files"][0]["hash"]["value"],
        f"{BAD}\n4 000\nverified at 1; differs from the\ncard at 2",
        "none: not read whole",
    ]
    places = [text.find(part) for part in order]
    assert -1 not in places, order[places.index(-1)]
    assert places == sorted(places)
    assert found.title == "Offload of reel A001, The Chain Ferry"


def test_every_page_is_numbered(session: Session) -> None:
    found = read_pdf(draw(session, a_report([a_file(f"C{n:04}.MOV") for n in range(300)])))
    assert len(found.pages) > 4
    for number, page in enumerate(found.pages, 1):
        assert page.splitlines()[-1] == f"Page {number} of {len(found.pages)}"
    for page in found.pages[2:]:
        assert page.startswith("Path on the card\nBytes\n"), "the heads stand on every page of the list"
    assert re.findall(r"C\d{4}\.MOV", found.text) == [f"C{n:04}.MOV" for n in range(300)]


def test_names_of_any_script_can_be_told_apart(session: Session) -> None:
    names = [
        "Überfahrt ø.MOV",
        "Паром.MOV",
        "U\u0308ber.MOV",
        "渡し.MOV",
        "\U0001f3ac.MOV",
        "a  b.MOV",
        "a b.MOV",
    ]
    text = read_pdf(draw(session, a_report([a_file(name) for name in names]))).text
    for name in (*names[:3], *names[5:]):
        assert f"\n{name}\n" in text
    assert "\n渡し.MOV\n" in text or "\n\\u6e21\\u3057.MOV\n" in text


def test_a_path_taller_than_a_page_goes_on_on_the_next(session: Session) -> None:
    path = "/".join(["a folder of a name that is long"] * 127)  # 4 063 bytes: Linux has paths up to 4 096
    found = read_pdf(draw(session, a_report([a_file(path), a_file("after.MOV")])))
    assert "".join(found.text.split()).count("afolderofanamethatislong") == 127
    assert "after.MOV" in found.text


def test_too_many_files_are_bounded_and_those_that_need_a_look_come_first(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pdf, "MOST_FILES", 50)
    files = [a_file(f"C{n:04}.MOV") for n in range(400)]
    files[399] = a_file("LAST.MOV", 1, ("verified", "differs"))
    text = read_pdf(draw(session, a_report(files))).text
    assert "Here are 50 of them, those that need a look first." in text
    listed = re.findall(r"\n(\w+\.MOV)", text)
    assert listed == ["LAST.MOV", *(f"C{n:04}.MOV" for n in range(49))]


def test_ten_thousand_files_take_seconds_and_little_memory(session: Session, tmp_path: Path) -> None:
    """Measured in a process of its own: its peak with 10 000 files against that with 10."""
    session.commit()
    script = (
        "import io, resource, sys, time\n"
        "from api.report import draw_pdf\n"
        "from api.report.model import FileLine, OffloadSheet, VerdictView\n"
        "n = int(sys.argv[1])\n"
        "copies = 'verified at 1 and 2'\n"
        "names = ((f'DCIM/100CLIPS/C{i:05}.MOV', i, f'{i:032x}') for i in range(n))\n"
        "files = tuple(FileLine(*name, copies, True, None) for name in names)\n"
        "verdict = VerdictView('no', 'no', (), 'rushlight card CARD')\n"
        "empty = ((),) * 5\n"
        "sheet = OffloadSheet(1, 'A001', 'P', 'UTC', 's', 'Done.', True, verdict, *empty, files)\n"
        "def peak(): return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "before, began = peak(), time.process_time()\n"
        "with open(sys.argv[2], 'wb') as out: draw_pdf(sheet, out)\n"
        "print(time.process_time() - began, (peak() - before) / 1024)\n"
    )
    path = tmp_path / "many.pdf"

    def measure(count: int) -> tuple[float, float]:
        words = [sys.executable, "-c", script, str(count), str(path)]
        said = subprocess.run(words, capture_output=True, text=True, check=True).stdout.split()
        return float(said[0]), float(said[1])

    _, few = measure(10)
    seconds, many = measure(10_000)
    assert seconds < 20, "processor time; about 2 on an ordinary machine"
    assert many - few < 32, f"{many:.0f} MiB more than before it drew, {few:.0f} for ten files"
    data = path.read_bytes()
    assert len(data) < 3_000_000
    assert read_pdf(data).text.count(".MOV") == 10_000


# -- against the outside ------------------------------------------------------------------------------


@pytest.fixture
def written(session: Session, tmp_path: Path) -> Path:
    path = tmp_path / "report.pdf"
    path.write_bytes(draw(session, bad_report()))
    return path


@pytest.mark.skipif(shutil.which("pdfinfo") is None, reason="pdfinfo (poppler-utils) is not installed")
def test_pdfinfo_and_pdftotext_read_it(written: Path) -> None:
    said = run("pdfinfo", written)
    assert re.search(rf"^Pages: +{len(read_pdf(written.read_bytes()).pages)}$", said, re.MULTILINE)
    assert "(A4)" in said and "JavaScript:      no" in said
    text = run("pdftotext", "-layout", written, "-")
    assert "DCIM/100CLIPS/C0001.MOV" in text and "Formatting a card destroys the footage on it." in text


@pytest.mark.skipif(shutil.which("qpdf") is None, reason="qpdf is not installed")
def test_qpdf_finds_no_fault(written: Path) -> None:
    assert "No syntax or stream encoding errors" in run("qpdf", "--check", written)


@pytest.fixture(params=["DejaVuSans.ttf", "DejaVuSerif.ttf", "DejaVuSansMono.ttf", None])
def font_file(request: pytest.FixtureRequest) -> bytes:
    """A font that is installed, and the one that Pillow brings."""
    if request.param is None:
        font = ImageFont.load_default(10)
        assert isinstance(font, ImageFont.FreeTypeFont) and isinstance(font.path, BytesIO)
        return font.path.getvalue()
    try:
        return Path(str(ImageFont.truetype(request.param, 10).path)).read_bytes()
    except OSError:
        pytest.skip(f"{request.param} (Debian fonts-dejavu-core) is not installed")


def test_widths_are_those_that_freetype_finds(font_file: bytes) -> None:
    """FreeType, through Pillow, reads the same file: an outside judge of our reading."""
    font = TrueTypeFont(font_file)
    judge = ImageFont.truetype(BytesIO(font_file), font.units, layout_engine=ImageFont.Layout.BASIC)
    known = [character for character in "Aagé0.,/_WiЙß→" if font.glyph(character)]
    assert len(known) >= 9
    for character in known:
        width = judge.getlength(character) * 1000 / font.units
        assert abs(font.width(font.glyph(character)) - width) <= 1, character


def test_a_subset_has_the_outlines_it_needs_and_no_others(font_file: bytes) -> None:
    """Read back by the OpenType specification (loca, glyf); "é" comes with the parts it is made of."""
    font = TrueTypeFont(font_file)
    wanted = {font.glyph("é"), font.glyph("A")}
    kept, whole = outlines(font.subset(wanted)), outlines(font_file)
    assert len(kept) == len(whole), "the numbers of the glyphs are unchanged"
    there = {number for number, outline in enumerate(kept) if outline}
    assert {number for number in {0, *wanted} if whole[number]} <= there
    assert len(there) <= 8
    for number in there:
        assert kept[number].rstrip(b"\0") == whole[number].rstrip(b"\0")


def outlines(data: bytes) -> list[bytes]:
    tables = {}
    for at in range(struct.unpack_from(">H", data, 4)[0]):
        tag, _, offset, length = struct.unpack_from(">4s3I", data, 12 + 16 * at)
        tables[tag] = data[offset : offset + length]
    long = struct.unpack_from(">h", tables[b"head"], 50)[0]
    count = len(tables[b"loca"]) // (4 if long else 2)
    places = [
        place * (1 if long else 2) for place in struct.unpack(f">{count}{'IH'[not long]}", tables[b"loca"])
    ]
    assert places == sorted(places) and places[-1] <= len(tables[b"glyf"])
    return [tables[b"glyf"][start:end] for start, end in pairwise(places)]


@pytest.mark.parametrize("data", [b"", b"OTTO" + bytes(40), b"\x00\x01\x00\x00\x00\x01" + bytes(60)])
def test_what_is_no_font_is_refused(data: bytes) -> None:
    with pytest.raises((ValueError, struct.error)):
        TrueTypeFont(data)


def test_without_dejavu_the_font_that_pillow_brings_is_used(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("api.report.faces._LAST_RESORT", "no-such-font.ttf")
    real = ImageFont.truetype

    def truetype(font: Any, *words: Any, **values: Any) -> Any:
        if isinstance(font, str):
            raise OSError("cannot open resource")
        return real(font, *words, **values)

    monkeypatch.setattr(ImageFont, "truetype", truetype)
    began = time.monotonic()
    text = read_pdf(draw(session, bad_report())).text
    assert "DCIM/100CLIPS/C0001.MOV" in text and "May this card be formatted?" in text
    assert time.monotonic() - began < 60
