"""The ways to a report: the command, the service, the link on a day's page, and a real browser."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from lxml import html
from playwright.sync_api import sync_playwright
from sqlalchemy import select
from starlette.testclient import TestClient

from api.reads.offloads import find_offload
from api.report import CONTENT_POLICY
from shared.catalogue.kept_reports import MANY, pack_files
from shared.catalogue.reels import TURNED_AWAY
from shared.db import Sessions, make_engine, make_sessions, reading, writing
from shared.errors import EXIT_PARTIAL, EXIT_USAGE
from shared.models import Copy, File, Offload, OffloadState, Request, RequestKind, RequestState
from shared.settings import Settings
from tests import factories as make
from tests.api import test_cli as cli
from tests.api.browser.serving import CHROMIUM, check_fits, served
from tests.api.catalogue import Seeded
from tests.api.report_cases import a_file, a_report, add_offload, bad_report, read_pdf
from tests.api.shell import Shell
from tests.api.test_api_errors import check_problem
from tests.api.test_api_pages import page, pick, words

made_card, card, shell = cli.made_card, cli.card, cli.shell  # fixtures


@pytest.mark.slow
def test_from_the_command_line_against_the_catalogue(shell: Shell, card: Path, tmp_path: Path) -> None:
    """The report of a real offload names every file of the catalogue with its copies, and every problem."""
    (card / "odd").symlink_to("elsewhere")
    drives = ("--to", tmp_path / "one", "--to", tmp_path / "two", "--camera", "A")
    reports = tmp_path / "editor"
    report = shell.json("offload", card, *drives, "--report", reports, expect=EXIT_PARTIAL)
    (written,) = reports.glob("*.html")
    rows = {
        row[0].text: [words(cell) for cell in row[1:]]
        for row in pick(html.fromstring(written.read_text(encoding="utf-8")), "//table.files/tbody/tr")
    }
    engine = make_engine(f"sqlite:///{shell.home / 'catalogue.db'}")
    with reading(make_sessions(engine)) as session:
        recorded = {
            file.path: [f"{file.size:,}".replace(",", " "), "verified at 1 and 2", file.digest]
            for file in session.scalars(select(File))
        }
        assert {copy.state.value for copy in session.scalars(select(Copy))} == {"verified"}
    engine.dispose()
    assert rows == recorded and len(rows) > 5
    pdf = read_pdf(written.with_suffix(".pdf").read_bytes()).text.replace("\u202f", " ")
    for path, (size, copies, digest) in recorded.items():
        assert f"\n{path}\n{size}\n{copies}\n{digest}" in pdf
    assert report["problems"]
    for problem in report["problems"]:
        assert problem["message"] in pdf and (problem["path"] or "") in pdf
        assert problem["message"] in words(html.fromstring(written.read_text(encoding="utf-8")))

    again = shell.json("report", "a001", "--to", reports)
    assert Path(again["html"]).read_bytes() == written.read_bytes()
    assert Path(again["pdf"]).name == written.stem + "_2.pdf"
    assert shell.run("report", "#1", "--to", reports).stdout.count("_3.") == 2
    assert "there is no offload #9" in shell.run("report", "#9", "--to", reports, expect=1).stderr
    assert "A001" in shell.run("report", "B7", "--to", reports, expect=EXIT_USAGE).stderr
    before = set((tmp_path / "one").rglob("*"))
    lost = shell.run("offload", card, *drives, "--report", tmp_path / "gone", expect=EXIT_USAGE)
    assert "no such folder for the report" in lost.stderr
    assert set((tmp_path / "one").rglob("*")) == before, "said before anything is copied"


def test_nothing_offloaded_yet(shell: Shell, tmp_path: Path) -> None:
    said = shell.run("report", "--to", tmp_path, expect=1).stderr
    assert "there is no offload yet" in said and "rushlight offload makes one" in said


def test_the_service_gives_both(client: TestClient, catalogue: Sessions) -> None:
    with writing(catalogue) as session:
        id = add_offload(session, bad_report(), state=OffloadState.PARTIAL).id
    answer = client.get(f"/api/v1/offloads/{id}/report.html")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert answer.headers["content-security-policy"] == CONTENT_POLICY
    assert answer.headers["content-disposition"] == 'inline; filename="A001_offload_2026-05-12_193140.html"'
    assert answer.headers["cache-control"] == "no-store"
    assert "the drive is full" in answer.text
    pdf = client.get(f"/api/v1/offloads/{id}/report.pdf")
    assert pdf.headers["content-type"] == "application/pdf"
    assert pdf.headers["content-disposition"].endswith('193140.pdf"')
    assert "the drive is full" in read_pdf(pdf.content).text
    for suffix in ("html", "pdf"):
        check_problem(client.get(f"/api/v1/offloads/99/report.{suffix}"), 404)


def test_a_report_of_very_many_files_reads_as_any_other(client: TestClient, catalogue: Sessions) -> None:
    whole = a_report([a_file(f"DCIM/C{number:05}.JPG", number) for number in range(MANY + 1)])
    packed = {name: one for name, one in whole.items() if name != "files"} | pack_files(whole["files"])
    with writing(catalogue) as session:
        first = add_offload(session, whole)
        same = {"source": first.source, "started_at": first.started_at, "ended_at": first.ended_at}
        ids = [first.id, make.make_offload(session, first.reel, report=packed, **same).id]
        request = Request(kind=RequestKind.OFFLOAD, state=RequestState.DONE, order={}, progress={})
        request.result = packed
        session.add(request)
        session.flush()
        asked = request.id
    plain, other = (client.get(f"/api/v1/offloads/{id}").json()["report"] for id in ids)
    assert plain == other == whole
    assert client.get(f"/api/v1/requests/{asked}").json()["result"] == whole
    pages = [client.get(f"/api/v1/offloads/{id}/report.html").text for id in ids]
    assert f"DCIM/C{MANY:05}.JPG" in pages[0]
    assert pages[1].replace(f"Offload {ids[1]},", f"Offload {ids[0]},") == pages[0]


def test_the_policy_allows_the_one_style_and_no_script() -> None:
    """CSP Level 3: what no directive names falls back to default-src; a hash allows what has it alone."""
    directives = dict(one.strip().split(" ", 1) for one in CONTENT_POLICY.split(";"))
    assert directives["default-src"] == "'none'" and "script-src" not in directives
    assert re.fullmatch(r"'sha256-[A-Za-z0-9+/]{43}='", directives["style-src"])


def test_a_days_reels_lead_to_their_latest_report(
    client: TestClient, catalogue: Sessions, seeded: Seeded
) -> None:
    with writing(catalogue) as session:
        reel = session.get_one(Offload, seeded.offload).reel
        latest = make.make_offload(session, reel, report=a_report([a_file("NEWER.MOV")])).id
        make.make_offload(session, reel, state=OffloadState.RUNNING)
        turned_away = make.make_offload(
            session, reel, state=OffloadState.FAILED, report={TURNED_AWAY: "busy"}
        )
        production = reel.production
        assert find_offload(session, production, "A001").state is OffloadState.RUNNING
        assert find_offload(session, production, f"#{turned_away.id}") is turned_away
    read = client.get(f"/api/v1/offloads/{turned_away.id}").json()
    assert (read["state"], read["report"]) == ("failed", {TURNED_AWAY: "busy"})
    for address in ("/days", "/days/1"):
        links = pick(page(client, address), "//ul.reels//a")
        assert words(links[0]) == "Offload report of A001"
        assert links[0].get("href") == f"/api/v1/offloads/{latest}/report.html"
    assert "NEWER.MOV" in client.get(links[0].get("href")).text


@pytest.mark.slow
@pytest.mark.skipif(CHROMIUM is None, reason="Debian's package chromium is not installed")
def test_in_a_real_browser(settings: Settings, catalogue: Sessions, tmp_path: Path) -> None:
    """Styled under its policy, wide and narrow, served and from a file; nothing faults or is asked for."""
    with writing(catalogue) as session:
        report = bad_report()
        report["files"].append(a_file("/".join(["deep" * 60] * 16)))
        id = add_offload(session, report, state=OffloadState.PARTIAL, source="/media/" + "x" * 200).id
    faults: list[str] = []
    asked: set[str] = set()
    with served(settings, catalogue) as base, sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        saved = tmp_path / "saved.html"
        address = f"{base}/api/v1/offloads/{id}/report.html"
        for width in (1440, 390):
            tab = browser.new_page(viewport={"width": width, "height": 900})
            tab.on("console", lambda message: faults.append(message.text))
            tab.on("pageerror", lambda error: faults.append(str(error)))
            tab.on("request", lambda request: asked.add(request.url))
            tab.goto(address)
            saved.write_bytes(tab.request.get(address).body())
            for place in (address, saved.as_uri()):
                tab.goto(place)
                check_fits(tab)
                assert tab.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(246, 241, 230)"
            tab.emulate_media(media="print")
            assert tab.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
            printed = tab.pdf(prefer_css_page_size=True)
            assert 2 <= len(re.findall(rb"/Type ?/Page\b", printed)) <= 5
            tab.close()
        browser.close()
    assert faults == []
    assert asked <= {address, saved.as_uri(), f"{base}/favicon.ico"}
