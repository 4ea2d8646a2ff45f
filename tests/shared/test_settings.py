"""Settings: where a value comes from, what is refused and how, and the guide's page that lists them."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from shared.errors import UsageError
from shared.finding_limits import HuntingLimits, PictureLimits, SoundLimits
from shared.settings import CONFIG_NAME, Settings, WatchRule, load_settings, user_data_folder

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "api" / "guide" / "settings.md"


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An environment of the test's own, and an empty home folder named in it."""
    for name in Settings.model_fields:
        monkeypatch.delenv(f"RUSHLIGHT_{name.upper()}", raising=False)
    folder = tmp_path / "home"
    folder.mkdir()
    monkeypatch.setenv("RUSHLIGHT_HOME", str(folder))
    return folder


def configure(home: Path, text: str | bytes) -> Path:
    path = home / CONFIG_NAME
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


# -- where a value comes from -----------------------------------------------------------------------


def test_the_order_is_argument_environment_file_default(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert load_settings().buffers == 6
    configure(home, "buffers = 7\nstills = 5")
    assert load_settings().buffers == 7
    monkeypatch.setenv("RUSHLIGHT_BUFFERS", "8")
    assert load_settings().buffers == 8
    assert load_settings(buffers=9).buffers == 9
    assert load_settings(buffers=9).stills == 5  # one source does not hide the others


def test_the_file_is_the_one_in_the_home_that_is_named(home: Path, tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.mkdir()
    configure(home, "port = 1111")
    configure(other, "port = 2222")
    assert load_settings().port == 1111
    assert load_settings(home=other).port == 2222
    assert load_settings(home=tmp_path / "empty").port == 8640


def test_everything_stands_below_the_home(home: Path) -> None:
    settings = load_settings()
    assert settings.database_url == f"sqlite:///{home}/catalogue.db"
    assert settings.stills_folder == home / "stills"
    elsewhere = load_settings(database="postgresql+psycopg://rushlight@database/rushlight")
    assert elsewhere.database_url == "postgresql+psycopg://rushlight@database/rushlight"


def test_the_default_home_follows_the_xdg_specification(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """XDG Base Directory Specification 0.8: the variable, else ~/.local/share; relative paths are ignored."""
    monkeypatch.delenv("RUSHLIGHT_HOME")
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    assert load_settings().home == user_data_folder() == tmp_path / "data" / "rushlight"
    for ignored in ("", "data"):
        monkeypatch.setenv("XDG_DATA_HOME", ignored)
        assert load_settings().home == tmp_path / ".local" / "share" / "rushlight"
    monkeypatch.delenv("XDG_DATA_HOME")
    assert load_settings().home == tmp_path / ".local" / "share" / "rushlight"


def test_the_home_is_always_absolute(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    (tmp_path / "film").mkdir()
    configure(tmp_path / "film", "port = 3333")
    for given in ("film", "~/film"):
        monkeypatch.setenv("RUSHLIGHT_HOME", given)
        assert (load_settings().home, load_settings().port) == (tmp_path / "film", 3333)


def test_an_empty_variable_is_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Else an empty RUSHLIGHT_HOME would be whatever folder one happens to be in."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.setenv("RUSHLIGHT_HOME", "")
    monkeypatch.setenv("RUSHLIGHT_PORT", "")
    assert (load_settings().home, load_settings().port) == (tmp_path / "rushlight", 8640)


def test_lists_and_tables_in_the_environment_are_json(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RUSHLIGHT_WATCH_FOLDERS", '["/media/you"]')
    monkeypatch.setenv("RUSHLIGHT_DESTINATIONS", '{"one": "/drives/1"}')
    monkeypatch.setenv("RUSHLIGHT_WATCH", '[{"card": "A*", "camera": "A", "to": ["one"]}]')
    settings = load_settings()
    assert settings.watch_folders == [Path("/media/you")]
    assert settings.destinations == {"one": Path("/drives/1")}
    assert settings.watch == [WatchRule(card="A*", camera="A", production=None, to=["one"])]


def test_nothing_is_read_before_it_is_asked_for(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each call reads anew: two parts of one program can be configured apart."""
    first = load_settings()
    monkeypatch.setenv("RUSHLIGHT_STILLS", "4")
    assert (first.stills, load_settings().stills) == (3, 4)


# -- what is refused --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("port = 99999", "setting port: .*65535.*99999.*RUSHLIGHT_PORT"),
        ('port = "many"', "setting port: .*integer.*many"),
        ("spped = 3", "setting spped: .*not permitted"),
        ('algorithm = "sum"', "setting algorithm: .*xxh128.*c4.*sum"),
        ("stills = 0", "setting stills: .*greater than or equal to 1"),
        ("quiet_seconds = 0", "setting quiet_seconds"),
        ("[destinations]\none = 3", r"setting destinations\.one: .*3.*RUSHLIGHT_DESTINATIONS, or"),
        ('[[watch]]\ncard = "A*"', r"setting watch\.0\.to: Field required.*RUSHLIGHT_WATCH, or"),
        ('[[watch]]\nto = ["x"]\ncarrd = "A*"', r"setting watch\.0\.carrd: .*not permitted"),
        ('watch_folders = "/media"', "setting watch_folders: .*list"),
    ],
)
def test_a_bad_value_names_the_field_and_the_remedy(home: Path, text: str, said: str) -> None:
    configure(home, text)
    with pytest.raises(UsageError, match=said) as caught:
        load_settings()
    assert CONFIG_NAME in (caught.value.remedy or "")


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("PORT", "abc", "setting port: .*abc.*RUSHLIGHT_PORT"),
        ("DESTINATIONS", "/drives/1", "destinations.*JSON"),
        ("WATCH_FOLDERS", "/media/you", r"watch_folders.*JSON.*\[.*\]"),
    ],
)
def test_a_bad_variable_names_the_field_and_the_remedy(
    monkeypatch: pytest.MonkeyPatch, name: str, value: str, said: str
) -> None:
    monkeypatch.setenv(f"RUSHLIGHT_{name}", value)
    with pytest.raises(UsageError, match=said):
        load_settings()


@pytest.mark.parametrize("text", [b"port = ", b"= 3", b"\xff\xfe", b"port = 1\nport = 2", b"[watch]]"])
def test_a_file_that_is_no_toml_is_named(home: Path, text: bytes) -> None:
    path = configure(home, text)
    with pytest.raises(UsageError, match="not valid TOML") as caught:
        load_settings()
    assert (caught.value.path, caught.value.remedy) == (str(path), "Mend the file or move it away.")


def test_a_file_that_cannot_be_read_is_named(home: Path) -> None:
    (home / CONFIG_NAME).mkdir()
    with pytest.raises(UsageError, match="can't be read") as caught:
        load_settings()
    assert caught.value.path == str(home / CONFIG_NAME)


def test_the_home_cannot_stand_in_the_file_that_lies_in_it(home: Path) -> None:
    configure(home, 'home = "/elsewhere"')
    with pytest.raises(UsageError, match="RUSHLIGHT_HOME"):
        load_settings()


def test_a_token_is_never_shown(home: Path) -> None:
    configure(home, "token = 271828")
    with pytest.raises(UsageError, match="setting token") as caught:
        load_settings()
    assert "271828" not in str(caught.value)


# -- help and the guide -----------------------------------------------------------------------------


def fields_of(model: type[BaseModel]) -> list[tuple[str, FieldInfo]]:
    return list(model.model_fields.items())


@pytest.mark.parametrize("model", [Settings, WatchRule, PictureLimits, HuntingLimits, SoundLimits])
def test_every_field_has_help_that_is_a_sentence(model: type[BaseModel]) -> None:
    for name, field in fields_of(model):
        help_text = field.description or ""
        assert re.fullmatch(r"[A-Z].{15,}\.", help_text), f"{name}: {help_text!r}"


def shown_default(name: str, field: FieldInfo) -> str:
    """A field's default as one writes it in TOML."""
    if name == "home":
        return "`~/.local/share/rushlight`"
    if field.is_required():
        return "must be given"
    value: Any = field.get_default(call_default_factory=True, validated_data={})
    if value is None or value in ({}, []):
        return "none"
    if isinstance(value, BaseModel):
        return "a table, below"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    return f'`"{value}"`' if isinstance(value, str) else f"`{value}`"


def rows_under(heading: str) -> list[tuple[str, ...]]:
    """The rows of the first table below a heading of the page."""
    text = PAGE.read_text(encoding="utf-8")
    part = text.split(f"\n## {heading}\n", 1)[1].split("\n## ", 1)[0]
    rows = [line.strip("| ").split(" | ") for line in part.splitlines() if line.startswith("| ")]
    return [tuple(row) for row in rows[2:]]


@pytest.mark.parametrize(
    ("heading", "model"),
    [
        ("All settings", Settings),
        ("Rules for cards that appear", WatchRule),
        ("What counts in the picture", PictureLimits),
        ("When focus hunts", HuntingLimits),
        ("What counts in the sound", SoundLimits),
    ],
)
def test_the_guide_lists_exactly_the_fields(heading: str, model: type[BaseModel]) -> None:
    wanted = [(f"`{n}`", shown_default(n, f), f.description) for n, f in fields_of(model)]
    assert rows_under(heading) == wanted


def examples() -> list[str]:
    return re.findall(r"^```toml\n(.*?)^```$", PAGE.read_text(encoding="utf-8"), re.DOTALL | re.MULTILINE)


def test_each_example_of_the_guide_is_accepted(home: Path) -> None:
    assert len(examples()) >= 2
    for example in examples():
        configure(home, example)
        load_settings()


def test_the_whole_example_sets_every_field_to_its_default_or_says_how(home: Path) -> None:
    whole = max(examples(), key=len)
    given = tomllib.loads(whole)
    assert set(given) == set(Settings.model_fields) - {"home"}
    configure(home, whole)
    settings, defaults = load_settings(), load_settings(home=home / "nothing here")
    tables = {"destinations", "watch_folders", "watch"}
    for name in given.keys() - tables:
        assert getattr(settings, name) == getattr(defaults, name), name
    assert len(settings.destinations) == 2 and settings.watch_folders
    assert all(set(rule.to) <= set(settings.destinations) for rule in settings.watch)
    assert {rule.camera for rule in settings.watch} == {"A", "D"}
