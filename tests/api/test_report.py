"""What an offload report says, and that its page is complete, safe and still."""

from __future__ import annotations

import base64
import hashlib
import re
from fractions import Fraction
from typing import Any

import pytest
from lxml import html
from sqlalchemy.orm import Session

from api.report import CONTENT_POLICY, read_sheet, render_html
from api.report.words import ask_again, say_seconds, say_size, say_speed, say_time, zone_of
from shared.catalogue.reels import TURNED_AWAY
from shared.models import OffloadState
from tests.api.report_cases import BAD, ENDED, GONE, HOSTILE, a_file, a_report, add_offload, bad_report
from tests.api.test_api_pages import pick, words

SHOWN_HOSTILE = "D/<script>alert(1)</script>\"'&\\u202egpj.\\u0007  two\\u000alines.MOV"


def page_of(session: Session, report: dict[str, Any], **values: Any) -> tuple[str, html.HtmlElement]:
    text = "".join(render_html(read_sheet(add_offload(session, report, **values))))
    return text, html.document_fromstring(text)


def test_facts_of_an_ordinary_offload(session: Session) -> None:
    _, page = page_of(session, a_report([a_file("C1.MOV"), a_file("C2.MOV", 1)]))
    facts = {words(row[0]): words(row[1]) for row in pick(page, "//dl/div")}
    assert facts == {
        "Production": "The Chain Ferry",
        "Reel": "A001",
        "Card": "labelled A01, RIVER, exfat, holds 64 000 000 000 bytes (64.0 GB)",
        "Mounted at": "/media/maker/A 01",
        "Camera": "A, Main camera",
        "Shooting day": "1, 2026-05-12",
        "Files": "2",
        "On the card": "16 040 000 000 bytes (16.0 GB)",
        "Read from the card": "16 040 000 000 bytes (16.0 GB)",
        "Written to all destinations": "32 080 000 000 bytes (32.1 GB)",
        "Hash": "XXH3, 128 bits (xxh128)",
        "Started": "2026-05-12 19:28:19 UTC+02:00",
        "Ended": "2026-05-12 19:31:40 UTC+02:00",
        "Took": "3 min 21 s (200.500 seconds)",
        "Speed": "80.0 MB/s read from the card, the proof of every copy included",
    }
    assert "Times are those of Europe/Copenhagen" in words(page)


def test_a_yes_is_told_as_of_its_moment_with_the_way_to_ask_again(session: Session) -> None:
    _, page = page_of(session, a_report([a_file("C1.MOV")]))
    verdict = words(pick(page, "//section.verdict")[0])
    assert "When this offload ended, on 2026-05-12 19:31:40 UTC+02:00: yes." in verdict
    assert "ask again: rushlight card '/media/maker/A 01' --production the-chain-ferry" in verdict
    assert "Formatting a card destroys the footage on it." in verdict and "the decision is yours" in verdict
    assert "may be formatted" not in words(page).lower(), "no present fact is made of it"


def test_every_file_and_every_problem_is_named(session: Session) -> None:
    report = bad_report()
    _, page = page_of(session, report, state=OffloadState.PARTIAL)
    assert "Done in part." in words(page)
    rows = pick(page, "//table.files/tbody/tr")
    assert ["".join(row[0].itertext()) for row in rows] == [
        "DCIM/100CLIPS/C0001.MOV",
        BAD,
        GONE + "the card gives an error",
        SHOWN_HOSTILE,
    ]
    assert [words(row[1]) for row in rows] == ["2 307 082", "4 000", "9", "12"]
    assert [words(row[2]) for row in rows] == [
        "verified at 1 and 2",
        "verified at 1; differs from the card at 2",
        "missing at 1 and 2",
        "verified at 1; missing at 2",
    ]
    digests = [file["hash"]["value"] or "none: not read whole" for file in report["files"]]
    assert [words(row[3]) for row in rows] == digests
    assert [row.get("class") for row in rows] == [None, "look", "look", "look"]
    problems = words(pick(page, "//section[h2='Problems']")[0])
    for problem in report["problems"]:
        for part in (problem["message"], problem["remedy"] or ""):
            assert part in problems
    for said in (
        BAD,
        GONE,
        "Destination /drives/south",
        "a pipe, not followed",
        ".DS_Store",
        "count as one copy",
    ):
        assert said in problems
    places = [words(row) for row in pick(page, "//table.places/tbody/tr")]
    folder = "the-chain-ferry/2026-05-12/A001"
    assert places == [
        f"1 /drives/north/{folder} Not complete 3 0 0 1 from the medium",
        f"2 /drives/south/{folder} Stopped: the drive is full 1 1 1 2 perhaps from memory",
    ]
    reasons = [words(one) for one in pick(page, "//section.verdict//li")]
    assert reasons == report["verdict"]["reasons"]


def test_what_was_not_copied_is_told_once(session: Session) -> None:
    pipe = {"path": "PRIVATE/pipe", "message": "a pipe, no file", "remedy": None, "kind": "card"}
    left_out = [{"path": "PRIVATE/pipe", "reason": "a pipe, no file", "junk": False}]
    _, page = page_of(session, a_report([a_file("C1.MOV")], problems=[pipe], left_out=left_out))
    problems = words(pick(page, "//section[h2='Problems']")[0])
    assert problems == "Problems On the card, and not copied PRIVATE/pipe : a pipe, no file"
    places = [words(row) for row in pick(page, "//table.places/tbody/tr")]
    assert all("Complete: every file is verified here" in place for place in places)


def test_an_offload_that_was_turned_away_says_why(session: Session) -> None:
    report = {TURNED_AWAY: "another run is at work there"}
    _, page = page_of(session, report, state=OffloadState.FAILED)
    assert "Turned away: another run is at work there. This offload did nothing" in words(page)
    assert "This offload reached no answer." in words(page)
    assert "Nothing was proven" not in words(page)


def test_hostile_text_is_shown_as_text_wherever_it_stands(session: Session) -> None:
    report = bad_report()
    for one in (*report["problems"], *report["left_out"]):
        one.update(path=HOSTILE, message=HOSTILE, remedy=HOSTILE, reason=HOSTILE, kind=HOSTILE)
    for one in report["destinations"]:
        one.update(folder=HOSTILE, stopped=HOSTILE, read_back=HOSTILE)
    report |= {"warnings": [HOSTILE], "algorithm": HOSTILE, "verdict": {"reasons": [HOSTILE]}}
    report["files"][0]["copies"][0]["state"] = HOSTILE
    text, page = page_of(session, report, source=f"/media/{HOSTILE}")
    assert not pick(page, "//script | //*[@onerror] | //a | //img | //iframe")
    assert len(pick(page, "//style")) == 1
    assert not re.search("[\u202e\u0007]", text), "no mark turns or hides what follows"
    assert words(page).count("<script>alert(1)</script>") >= 12
    assert "rushlight card CARD --production the-chain-ferry" in words(page), (
        "what can't be typed is not shown"
    )
    text.encode()


def test_the_page_asks_nobody_for_anything(session: Session) -> None:
    text, page = page_of(session, bad_report())
    for element in page.iter():
        if isinstance(element.tag, str):
            assert not {"src", "href", "style", "action", "srcset"} & set(element.attrib)
            assert not any(name.startswith("on") for name in element.attrib)
    assert not re.search(r"url\(|@import|https?://", text)
    style = pick(page, "//style")[0].text
    assert style is not None
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = pick(page, "//meta[@http-equiv='Content-Security-Policy']")[0].get("content")
    assert policy + "; frame-ancestors 'none'" == CONTENT_POLICY
    assert policy.startswith(f"default-src 'none'; style-src 'sha256-{digest}';"), (
        "the one style, and no script"
    )


@pytest.mark.parametrize(
    ("state", "report", "expected"),
    [
        (OffloadState.RUNNING, {}, "Not ended"),
        (OffloadState.FAILED, {}, "ended by an error or killed"),
        (OffloadState.DONE, {"files": [], "verdict": {"may_be_formatted": "yes"}}, "UTC+02:00: no."),
        (
            OffloadState.DONE,
            {"seconds": "soon", "files": [3, {"path": None}], "problems": {}},
            "not recorded",
        ),
        (OffloadState.PARTIAL, {"seconds": 1e400, "bytes_read": True, "verdict": []}, "no answer"),
    ],
)
def test_what_was_not_recorded_is_said_to_be_unknown(
    session: Session, state: OffloadState, report: dict[str, Any], expected: str
) -> None:
    ended = None if state is OffloadState.RUNNING else ENDED
    _, page = page_of(session, report, state=state, ended_at=ended)
    assert expected in words(page)
    assert ": yes" not in words(page)
    if "verdict" not in report:
        assert "This offload reached no answer. Keep the card as it is." in words(page)


def test_numbers_and_times() -> None:
    assert say_size(1) == "1 byte" and say_size(999) == "999 bytes"
    assert say_size(1_000) == "1\u202f000 bytes (1.0 kB)"
    assert say_speed(84_200_000, Fraction(1)) == "84.2 MB/s"
    assert say_seconds(Fraction("1.5934")) == "1.593 seconds"
    assert say_seconds(Fraction(5251)) == "1 h 28 min (5\u202f251.000 seconds)"
    # The hour that comes twice on the last Sunday of October (tz database): the offset tells which.
    zone = zone_of("Europe/Copenhagen")
    before = ENDED.replace(month=10, day=25, hour=0, minute=30, second=0)
    assert say_time(before, zone) == "2026-10-25 02:30:00 UTC+02:00"
    assert say_time(before.replace(hour=1), zone) == "2026-10-25 02:30:00 UTC+01:00"
    assert say_time(ENDED, zone_of("No/Such")) == "2026-05-12 17:31:40 UTC+00:00"
    assert say_time(ENDED, zone_of("America/St_Johns")).endswith("UTC-02:30")
    assert ask_again("/media/it's", "x") == "rushlight card '/media/it'\"'\"'s' --production x"


def test_ten_thousand_files_are_all_on_the_page(session: Session) -> None:
    files = [a_file(f"DCIM/{100 + n // 999}CLIPS/C{n:05}.MOV", n) for n in range(10_000)]
    text, page = page_of(session, a_report(files))
    assert [row[0].text for row in pick(page, "//table.files/tbody/tr")] == [file["path"] for file in files]
    assert len(text) < 400 * len(files)
