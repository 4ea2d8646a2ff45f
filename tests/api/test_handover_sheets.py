"""Contact sheets: the pages there are, what is drawn on them, and stills that can't be trusted."""

from __future__ import annotations

import datetime as dt
import itertools
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageChops, ImageFont, PdfParser
from sqlalchemy.orm import Session

from api.handover import HandoverReport, sheet_style
from api.handover.sheet_cell import choose_stills
from api.handover.sheet_style import CELLS, PAGE, PANEL, PAPER, fit_end, fit_middle, load_fonts
from shared.models import Clip, ClipMedia, Production, Still
from tests.api.handover_cases import Scene, draw_picture
from tests.factories import make_day, make_entry, make_finding, make_still

RED = (200, 30, 40)


@pytest.fixture
def scene(session: Session, production: Production, tmp_path: Path) -> Scene:
    return Scene(session, production, tmp_path)


def sheets_of(report: HandoverReport) -> list[str]:
    return sorted(path.name for path in (report.folder / "contact_sheets").iterdir())


def open_sheet(report: HandoverReport, name: str) -> Image.Image:
    with Image.open(report.folder / "contact_sheets" / name) as image:
        return image.convert("RGB")


def cell_box(place: int) -> tuple[int, int, int, int]:
    row, column = divmod(place, sheet_style.COLUMNS)
    left = sheet_style.MARGIN + column * (sheet_style.CELL_WIDTH + sheet_style.GUTTER)
    top = sheet_style.MARGIN + sheet_style.HEAD + row * sheet_style.CELL_HEIGHT
    return left, top, left + sheet_style.CELL_WIDTH, top + sheet_style.CELL_HEIGHT


def cell_of(sheet: Image.Image, place: int = 0) -> Image.Image:
    return sheet.crop(cell_box(place))


def count(image: Image.Image, colour: tuple[int, int, int]) -> int:
    """Pixels of that colour, give or take what resizing rounds."""
    away = np.abs(np.asarray(image, dtype=np.int16) - np.array(colour, dtype=np.int16))
    return int((away.max(axis=2) <= 2).sum())


def is_blank(image: Image.Image) -> bool:
    return image.getcolors() == [(image.width * image.height, PAPER)]


def test_each_day_has_its_pages_and_its_pdf(scene: Scene) -> None:
    session, production = scene.session, scene.production
    first = make_day(session, production, number=1, date=dt.date(2026, 5, 12))
    second = make_day(session, production, number=2, date=dt.date(2026, 5, 13))
    reel = scene.add_reel("A001")
    for _ in range(CELLS + 1):
        scene.add_clip(reel, day_id=first.id)
    for _ in range(CELLS):
        scene.add_clip(reel, day_id=second.id)
    scene.add_clip(reel, day_id=None)
    report = scene.hand_over(*scene.every_clip())
    assert sheets_of(report) == [
        "day-1_2026-05-12.pdf",
        "day-1_2026-05-12_p1.png",
        "day-1_2026-05-12_p2.png",
        "day-2_2026-05-13.pdf",
        "day-2_2026-05-13.png",
        "no-day.pdf",
        "no-day.png",
    ]
    for name, pages in (("day-1_2026-05-12", 2), ("day-2_2026-05-13", 1), ("no-day", 1)):
        with PdfParser.PdfParser(str(report.folder / "contact_sheets" / f"{name}.pdf")) as pdf:
            assert len(pdf.pages) == pages
    with Image.open(report.folder / "contact_sheets/no-day.png") as image:
        assert image.size == PAGE
        assert [round(dots) for dots in image.info["dpi"]] == [200, 200]
    assert abs(PAGE[0] / 200 * 25.4 - 297) < 0.1 and abs(PAGE[1] / 200 * 25.4 - 210) < 0.1, "A4, ISO 216"
    last = open_sheet(report, "day-1_2026-05-12_p2.png")
    assert not is_blank(cell_of(last, 0)) and is_blank(cell_of(last, 1)), "one clip is left for page two"


def test_all_stills_of_a_row_are_shown_in_order(scene: Scene) -> None:
    clip = scene.add_clip(scene.add_reel("A001"))
    colours = [(200, 30, 40), (30, 160, 60), (40, 60, 190)]
    scene.add_stills(clip, *(Image.new("RGB", (640, 360), colour) for colour in colours))
    cell = cell_of(open_sheet(scene.hand_over(clip), "no-day.png"))
    width, height = sheet_style.STILL
    for place, colour in enumerate(colours):
        left = place * (width + sheet_style.STILL_GAP)
        assert count(cell.crop((left, 0, left + width, height)), colour) >= (width - 2) * (height - 2)


@pytest.mark.parametrize(
    ("size", "share"), [((360, 640), 81 / 256), ((640, 268), 268 / 360), ((8, 8), 9 / 16)]
)
def test_another_shape_stands_whole_in_its_panel(scene: Scene, size: tuple[int, int], share: float) -> None:
    clip = scene.add_clip(scene.add_reel("A001"))
    scene.add_stills(clip, Image.new("RGB", size, RED))
    cell = cell_of(open_sheet(scene.hand_over(clip), "no-day.png"))
    width, height = sheet_style.STILL
    panel = cell.crop((0, 0, width, height))
    assert abs(count(panel, RED) / (width * height) - share) < 0.02
    assert count(panel, PANEL) > 0


@pytest.mark.parametrize(
    ("have", "shown"), [(0, []), (1, [0]), (3, [0, 1, 2]), (5, [0, 2, 4]), (24, [0, 12, 23])]
)
def test_of_many_stills_first_middle_and_last_are_chosen(have: int, shown: list[int]) -> None:
    stills = [Still(ordinal=number) for number in range(have)]
    assert [still.ordinal for still in choose_stills(stills, 3)] == shown


def _plant(scene: Scene, clip: Clip, how: str) -> None:
    """A still's row, and under its name something that is no still."""
    folder = scene.settings.stills_folder
    folder.mkdir(parents=True)
    outside = scene.base / "secret.png"
    Image.new("RGB", (640, 360), RED).save(outside)
    still = make_still(scene.session, clip, path="1/0.png")
    if how == "missing":
        return
    path = folder / still.path
    path.parent.mkdir()
    if how == "outside":
        still.path = "../../secret.png"
        assert (folder / still.path).exists()
    elif how == "link":
        path.symlink_to(outside)
    elif how == "cut off":
        path.write_bytes(outside.read_bytes()[:200])
    elif how == "text":
        path.write_bytes(b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\n")
    elif how == "huge":
        Image.new("1", (30_000, 30_000)).save(path, compress_level=1)
    else:
        path.mkdir()


@pytest.mark.parametrize("how", ["missing", "outside", "link", "cut off", "text", "huge", "folder"])
def test_a_still_that_can_not_be_shown_is_a_drawn_panel(scene: Scene, how: str) -> None:
    clip = scene.add_clip(scene.add_reel("A001"), "C1.MOV")
    _plant(scene, clip, how)
    report = scene.hand_over(clip)
    cell = cell_of(open_sheet(report, "no-day.png"))
    width, height = sheet_style.STILL
    assert count(cell, RED) == 0
    assert count(cell.crop((0, 0, width, height)), PANEL) > width * height * 0.8
    assert any(line.startswith("no still") and "A001/C1" in line for line in report.missing)


@pytest.mark.parametrize("media", [ClipMedia.VIDEO, ClipMedia.AUDIO, ClipMedia.UNKNOWN])
def test_a_clip_without_stills_still_has_its_place(scene: Scene, media: ClipMedia) -> None:
    clip = scene.add_clip(scene.add_reel("A001"), media=media, rate_num=None, rate_den=None, frames=None)
    cell = cell_of(open_sheet(scene.hand_over(clip), "no-day.png"))
    assert count(cell, PANEL) > 10_000
    assert not is_blank(cell.crop((0, sheet_style.STILL[1] + 5, cell.width, cell.height)))


def _words_of(scene: Scene, clip: Clip) -> Image.Image:
    """The text below a clip's stills."""
    cell = cell_of(open_sheet(scene.hand_over(clip), "no-day.png"))
    return cell.crop((0, sheet_style.STILL[1] + 4, cell.width, cell.height))


def test_what_stands_below_the_stills_follows_the_log(scene: Scene) -> None:
    """The reel, timecode, rate, duration, rating, kind and findings: each changes what is drawn."""
    clip = scene.add_clip(scene.add_reel("A001"), "C1.MOV")
    drawn = [_words_of(scene, clip)]
    entry = make_entry(scene.session, clip, note="Chain")
    for change in (
        lambda: setattr(entry, "rating", "good"),
        lambda: setattr(entry, "rating", "circled"),
        lambda: setattr(entry, "rating", "ng"),
        lambda: setattr(entry, "kind", "interview"),
        lambda: setattr(clip, "start_frame", 90000),
        lambda: setattr(clip, "frames", 200),
        lambda: setattr(clip, "rate_num", 50),
        lambda: setattr(clip.reel, "name", "A002"),
        lambda: setattr(clip, "name", "C2"),
        lambda: make_finding(scene.session, clip),
    ):
        change()
        drawn.append(_words_of(scene, clip))
    assert all(ImageChops.difference(one, other).getbbox() for one, other in itertools.pairwise(drawn))
    amber = [count(image, sheet_style.AMBER) for image in drawn]
    assert amber[2] > amber[1] + 300, "a circled clip has its ring"


def test_nothing_drawn_leaves_its_cell(scene: Scene) -> None:
    """The longest words there are, in every place: margins and the gap between columns stay paper."""
    reel = scene.add_reel("A" * 32)
    long = "W" * 250
    for number in range(2):
        clip = scene.add_clip(reel, f"{number}{long[:240]}.MOV", start_frame=0)
        make_entry(
            scene.session, clip, kind=long[:64], size=long[:64], rating=long[:64], reason=long[:64], note=long
        )
        make_finding(scene.session, clip)
    sheet = open_sheet(scene.hand_over(*scene.every_clip()), "no-day.png")
    first, second = cell_box(0), cell_box(1)
    assert is_blank(sheet.crop((0, first[1], first[0], first[3])))
    assert is_blank(sheet.crop((first[2] + 1, first[1], second[0], first[3])))
    assert is_blank(sheet.crop((second[2] + 1, first[1], PAGE[0], first[3])))
    assert is_blank(sheet.crop((0, first[3] - 8, PAGE[0], first[3]))), "nor into the row below"


@pytest.mark.parametrize("text", ["ferry", "W" * 300, "", "渡し船" * 60, "\U0001f6a2" * 50])
def test_text_is_cut_to_its_room(text: str) -> None:
    font = load_fonts().text
    for fit in (fit_end, fit_middle):
        fitted = fit(text, font, 200)
        assert font.getlength(fitted) <= 200
        assert fitted == text or "…" in fitted
    assert fit_middle("C" * 100 + "0042", font, 200).endswith("0042")


def test_sheets_are_drawn_without_any_installed_font(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a machine without fonts Pillow finds none and brings its own."""
    monkeypatch.setattr(sheet_style, "REGULAR", "no-such-font.ttf")
    monkeypatch.setattr(sheet_style, "BOLD", "no-such-font.ttf")
    clip = scene.add_clip(scene.add_reel("A001"), "Übergang \U0001f6a2 渡.MOV")
    make_entry(scene.session, clip, note="naïve — “quoted”")
    assert not is_blank(_words_of(scene, clip))
    assert isinstance(load_fonts().text, ImageFont.FreeTypeFont | ImageFont.ImageFont)


def test_a_picture_of_the_page_is_what_the_pdf_holds(scene: Scene) -> None:
    clip = scene.add_clip(scene.add_reel("A001"))
    scene.add_stills(clip, draw_picture("one"))
    report = scene.hand_over(clip)
    data = (report.folder / "contact_sheets/no-day.pdf").read_bytes()
    start = data.index(b"\xff\xd8\xff")
    (scene.base / "page.jpg").write_bytes(data[start : data.index(b"\nendstream", start)])
    with Image.open(scene.base / "page.jpg") as page:
        away = ImageChops.difference(page.convert("RGB"), open_sheet(report, "no-day.png"))
    histogram = away.convert("L").histogram()
    assert sum(histogram[40:]) < PAGE[0] * PAGE[1] * 0.001, "the same but for what JPEG leaves out"
    assert data.startswith(b"%PDF-") and data.rstrip().endswith(b"%%EOF")
