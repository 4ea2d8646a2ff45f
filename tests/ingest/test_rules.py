"""Which rule a card falls under, where its copies go, and the lines a person is told to add."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from ingest.rules import (
    check_rules,
    destination_inside,
    lines_to_add,
    match_rule,
    named_destinations,
    rule_destinations,
)
from shared.db import Sessions
from shared.errors import NotFoundError, UsageError
from shared.settings import Settings, WatchRule, load_settings


def settings_of(tmp_path: Path, **values: Any) -> Settings:
    return load_settings(home=tmp_path / "home", **values)


def test_the_first_rule_that_fits_is_taken_whatever_the_case() -> None:
    rules = [
        WatchRule(card="A_*", camera="A", production=None, to=["one"]),
        WatchRule(card="*", camera="B", production=None, to=["one"]),
    ]
    assert match_rule(rules, "a_cam01") is rules[0]
    assert match_rule(rules, "DRONE") is rules[1]
    assert match_rule(rules[:1], "DRONE") is None


def test_destinations_are_names_and_for_the_owner_also_folders(tmp_path: Path) -> None:
    settings = settings_of(tmp_path, destinations={"one": tmp_path / "drive"})
    rule = WatchRule(card="*", camera=None, production=None, to=["one", "/second/drive"])
    assert rule_destinations(settings, rule) == (tmp_path / "drive", Path("/second/drive"))
    assert named_destinations(settings, ["one"]) == (tmp_path / "drive",)


@pytest.mark.parametrize("name", ["two", "/second/drive", "../drive", ""])
def test_a_name_that_is_not_in_the_settings_is_refused_with_those_that_are(tmp_path: Path, name: str) -> None:
    settings = settings_of(tmp_path, destinations={"one": tmp_path / "drive", "attic": tmp_path / "attic"})
    with pytest.raises(NotFoundError) as caught:
        named_destinations(settings, [name])
    assert "attic, one" in (caught.value.remedy or "")


def test_a_named_folder_must_be_absolute(tmp_path: Path) -> None:
    settings = settings_of(tmp_path, destinations={"one": Path("somewhere/else")})
    with pytest.raises(UsageError, match="somewhere/else"):
        named_destinations(settings, ["one"])


@pytest.mark.parametrize(
    ("rule", "said"),
    [
        ({"to": ["nowhere"]}, "nowhere"),
        ({"to": []}, "no destination"),
        ({"to": ["one"], "production": "Nothing Yet"}, "Nothing Yet"),
    ],
    ids=["destination", "none", "production"],
)
def test_a_rule_about_something_that_does_not_exist_is_named(
    tmp_path: Path, catalogue: Sessions, rule: dict[str, Any], said: str
) -> None:
    fine = {"card": "A_*", "to": ["one"]}
    settings = settings_of(tmp_path, destinations={"one": tmp_path}, watch=[fine, {"card": "B_*", **rule}])
    with pytest.raises(UsageError) as caught:
        check_rules(settings, catalogue)
    assert "rule 2" in str(caught.value)
    assert "B_*" in str(caught.value)
    assert said in str(caught.value)


@pytest.mark.parametrize("below", ["", "film", "film/2026"])
def test_a_drive_that_holds_a_destination_is_no_card(tmp_path: Path, below: str) -> None:
    drive = tmp_path / "media" / "BACKUP"
    drive.mkdir(parents=True)
    by_name = settings_of(tmp_path, destinations={"one": drive / below})
    by_rule = settings_of(tmp_path, watch=[{"card": "*", "to": [str(drive / below)]}])
    for settings in (by_name, by_rule):
        assert destination_inside(settings, drive) == drive / below
        assert destination_inside(settings, tmp_path / "media" / "BACKUP2") is None


@pytest.mark.parametrize(
    "name",
    ["A_CARD", 'say "cheese"', "back\\slash", "[2026] *?", "überfähre 🎬", "line\nbreak", "caf\udce9", "a'b"],
)
@pytest.mark.parametrize("drives", [0, 2])
def test_the_lines_to_add_are_a_rule_for_that_very_card(tmp_path: Path, name: str, drives: int) -> None:
    destinations = {f"drive {n}": tmp_path / str(n) for n in range(drives)}
    settings = settings_of(tmp_path, destinations=destinations)
    written = tomllib.loads("\n".join(lines_to_add(settings, name)))
    with_rule = settings_of(tmp_path, destinations=destinations, watch=written["watch"])
    assert match_rule(with_rule.watch, name) is with_rule.watch[0]
    assert match_rule(with_rule.watch, "ANOTHER") is None
    assert len(rule_destinations(with_rule, with_rule.watch[0])) == 2
