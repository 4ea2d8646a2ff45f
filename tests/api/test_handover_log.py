"""The log to read and to print: whole, escaped, self-contained, and every clip with its still."""

from __future__ import annotations

import base64
import hashlib
import io
import re
import shutil
import subprocess
from html.parser import HTMLParser
from pathlib import Path

import pytest
from PIL import Image, PdfParser
from sqlalchemy.orm import Session

from api.handover import HandoverReport
from shared.models import ClipMedia, Production
from tests.api.handover_cases import HOSTILE, Scene, draw_picture
from tests.factories import make_day, make_entry, make_finding, make_person


@pytest.fixture
def scene(session: Session, production: Production, tmp_path: Path) -> Scene:
    return Scene(session, production, tmp_path)


class Page(HTMLParser):
    """The tags of the page, and its text."""

    def __init__(self, report: HandoverReport) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.source = (report.folder / "shot_log.html").read_text(encoding="utf-8")
        self.feed(self.source)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text.append(data)

    def named(self, name: str) -> list[dict[str, str | None]]:
        return [attributes for tag, attributes in self.tags if tag == name]


def test_the_page_fetches_nothing_and_runs_nothing(scene: Scene) -> None:
    clip = scene.add_clip(scene.add_reel("A001"), "C1.MOV", start_frame=90_000)
    scene.add_stills(clip, *(draw_picture(f"C1 {n}") for n in range(5)))
    page = Page(scene.hand_over(clip))
    assert not {"script", "link", "iframe", "object", "embed", "base", "form"} & {tag for tag, _ in page.tags}
    images = page.named("img")
    assert len(images) == 3, "three of five, evenly"
    for image in images:
        head, _, data = (image["src"] or "").partition(",")
        assert head == "data:image/jpeg;base64"
        with Image.open(io.BytesIO(base64.b64decode(data, validate=True))) as still:
            assert still.format == "JPEG" and still.size in ((360, 202), (360, 203))
    for _, attributes in page.tags:
        assert not any(name.startswith("on") or name == "style" for name in attributes)
    # CSP Level 3: the one style sheet is named by its hash.
    (policy,) = [one["content"] or "" for one in page.named("meta") if one.get("http-equiv")]
    style = re.search(r"<style>(.*?)</style>", page.source, re.DOTALL)
    assert style is not None
    digest = base64.b64encode(hashlib.sha256(style[1].encode()).digest()).decode()
    assert f"style-src 'sha256-{digest}'" in policy and "default-src 'none'" in policy


def test_hostile_names_are_text_on_the_page_and_on_paper(scene: Scene) -> None:
    day = make_day(scene.session, scene.production, number=1, goal="<b>goal</b> \u202e")
    reel = scene.add_reel("A001", day_id=day.id)
    clips = [scene.add_clip(reel, name, start_frame=0) for name in HOSTILE]
    person = make_person(scene.session, scene.production, "<img src=x onerror=alert(1)>")
    make_entry(
        scene.session,
        clips[0],
        people=[person],
        note="\x1b[2J</p><script>x</script>\u2066",
        subject="שלום & <i>",
    )
    make_finding(scene.session, clips[0], message="<svg onload=x>", in_frame=1, out_frame=5)
    report = scene.hand_over(*clips)
    page = Page(report)
    assert len(page.named("article")) == len(clips)
    assert not page.named("script") and not page.named("svg") and not page.named("i") and not page.named("b")
    text = "".join(page.text)
    assert "<img src=x onerror=alert(1)>" in text and "\\u001b[2J</p><script>x</script>\\u2066" in text
    assert not set("\x1b\u202e\u2066") & set(page.source)
    with PdfParser.PdfParser(str(report.folder / "shot_log.pdf")) as pdf:
        assert len(pdf.pages) >= 2


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext (poppler-utils) is not installed")
def test_outside_tools_read_the_paper(scene: Scene) -> None:
    clip = scene.add_clip(scene.add_reel("A001"), "C1.MOV", start_frame=90_000)
    make_entry(
        scene.session, clip, rating="circled", subject="Ferry", note="First line\nand " + "more " * 900
    )
    scene.add_stills(clip, draw_picture("C1"))
    path = scene.hand_over(clip).folder / "shot_log.pdf"
    done = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True)
    assert done.returncode == 0 and not done.stderr, done.stderr
    for said in ("01:00:00:00 – 01:00:04:00", "Circled", "Ferry", "First line", "C1.MOV"):
        assert said in done.stdout, said
    assert done.stdout.count("more") == 900, "a long note goes on, on as many pages as it needs"


def test_a_still_stands_on_the_paper_as_a_picture(scene: Scene) -> None:
    """ISO 32000-1, 7.4.8: a JPEG stream as it is; Pillow reads it out of the file again."""
    clip = scene.add_clip(scene.add_reel("A001"), "C1.MOV")
    scene.add_stills(
        clip, *(draw_picture("x", colour=colour) for colour in ("#101010", "#c81e28", "#101010"))
    )
    data = (scene.hand_over(clip).folder / "shot_log.pdf").read_bytes()
    found = re.search(rb"/Subtype/Image/Width (\d+)/Height (\d+).*?stream\n(.*?)\nendstream", data, re.DOTALL)
    assert found is not None
    with Image.open(io.BytesIO(found[3])) as still:
        assert still.size == (int(found[1]), int(found[2]))
        assert still.width == 360 and still.height in (202, 203)
        red, green, blue = still.convert("RGB").getpixel((5, 190))  # type: ignore[misc]
        assert red > 150 and green < 90 and blue < 90, "of the stills the one in the middle"


def test_what_has_no_picture_says_why(scene: Scene) -> None:
    reel = scene.add_reel("S001")
    sound = scene.add_clip(reel, "T1.WAV", media=ClipMedia.AUDIO, rate_num=48_000, frames=48_000)
    broken = scene.add_clip(
        reel, "B1.MOV", media=ClipMedia.UNKNOWN, rate_num=None, rate_den=None, frames=None
    )
    text = "".join(Page(scene.hand_over(sound, broken)).text)
    assert "sound only" in text and "unreadable file" in text and "length unknown" in text
