"""The documents say what is there: commands, options, dependencies, words and links are compared with it."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from shared import errors
from shared.models import Base
from shared.settings import Settings
from tests.commands import command_lines, command_names, complaint, group

ROOT = Path(__file__).parents[1]
GUIDE = ROOT / "api" / "guide"
CODE_FENCE = re.compile(r"^```.*?^```$", re.DOTALL | re.MULTILINE)


def documents() -> list[Path]:
    """Every Markdown file of the project."""
    folders = ("docker", "sample_media", "tests", "api/guide")
    return [*ROOT.glob("*.md"), *(path for name in folders for path in sorted((ROOT / name).rglob("*.md")))]


def ids(paths: list[Path]) -> list[str]:
    return [path.relative_to(ROOT).as_posix() for path in paths]


def read(path: Path) -> str:
    return path.read_text(encoding="utf-8")


def tables(text: str, heading: str) -> list[list[str]]:
    """The rows of the tables below a heading, without their head."""
    assert f"\n## {heading}\n" in text, f"there is no heading {heading}"
    part = text.split(f"\n## {heading}\n", 1)[1].split("\n## ", 1)[0]
    rows = [
        [cell.strip() for cell in re.split(r"(?<!\\)\|", line)[1:-1]]
        for line in part.splitlines()
        if line[:1] == "|"
    ]
    heads = {
        place - 1 for place, row in enumerate(rows) if all(re.fullmatch(r":?-+:?", cell) for cell in row)
    }
    return [row for place, row in enumerate(rows) if place not in heads and place - 1 not in heads]


# -- commands ---------------------------------------------------------------------------------------


def documented_commands() -> set[str]:
    """The first column of the README's table of commands: `rushlight new NAME`, or `lens` for short."""
    spans = [
        span
        for row in tables(read(ROOT / "README.md"), "Commands")
        for span in re.findall(r"`([^`]+)`", row[0])
    ]
    return {span.removeprefix("rushlight ").split()[0] for span in spans}


def test_the_readme_lists_exactly_the_commands_there_are() -> None:
    assert documented_commands() == command_names()


@pytest.mark.parametrize("name", sorted(command_names()))
def test_every_command_and_option_has_help(name: str) -> None:
    command = group().commands[name]
    assert re.match(r"[A-Z][^.]{8,}\.", command.help or ""), f"rushlight {name}: {command.help!r}"
    for parameter in command.params:
        text = getattr(parameter, "help", None)
        assert text, f"rushlight {name}: {parameter.name} has no help"


@pytest.mark.parametrize("path", documents(), ids=ids(documents()))
def test_every_command_line_shown_is_one(path: Path) -> None:
    wrong = [
        f"rushlight {' '.join(words)}: {said}"
        for words in command_lines(read(path))
        if (said := complaint(words))
    ]
    assert wrong == []


def test_the_guide_shows_every_command_at_work() -> None:
    """Not only named in a table: in the README or the guide there is a line that uses it."""
    shown = {
        words[0] for path in [ROOT / "README.md", *GUIDE.glob("*.md")] for words in command_lines(read(path))
    }
    assert command_names() - shown == set()


def test_the_readme_gives_the_exit_codes() -> None:
    codes = {
        errors.EXIT_DONE: "done",
        errors.EXIT_ERROR: "error",
        errors.EXIT_USAGE: "usage",
        errors.EXIT_PARTIAL: "done in part",
    }
    text = " ".join(read(ROOT / "README.md").split())
    for code, words in codes.items():
        assert f"{code} {words}" in text
    assert re.search(rf"\b{errors.EXIT_INTEGRITY} a copy is not what it should be", text)


def test_the_two_commands_of_the_readme_are_targets() -> None:
    targets = set(re.findall(r"^([a-z-]+):", read(ROOT / "Makefile"), re.MULTILINE))
    for path in documents():
        code = " ".join([*re.findall(r"`([^`\n]+)`", read(path)), *CODE_FENCE.findall(read(path))])
        named = set(re.findall(r"(?:^|[^\w-])make ([a-z-]+)\b(?!/)", code, re.MULTILINE))
        assert named <= targets, path.name
    assert {"demo", "test"} <= set(re.findall(r"^make ([a-z]+)", read(ROOT / "README.md"), re.MULTILINE))


# -- settings ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", documents(), ids=ids(documents()))
def test_every_setting_named_exists(path: Path) -> None:
    named = {name.lower() for name in re.findall(r"\bRUSHLIGHT_([A-Z_]+[A-Z])\b", read(path))}
    assert named <= set(Settings.model_fields)


def test_every_setting_is_in_the_documents() -> None:
    text = read(ROOT / "README.md") + read(ROOT / "DEVELOPERS.md") + "".join(map(read, GUIDE.glob("*.md")))
    assert [name for name in Settings.model_fields if f"`{name}`" not in text] == []


# -- DEVELOPERS.md ----------------------------------------------------------------------------------


def project() -> Any:
    return tomllib.loads(read(ROOT / "pyproject.toml"))


def direct_dependencies() -> set[str]:
    found = project()
    listed = [
        *found["project"]["dependencies"],
        *found["dependency-groups"]["dev"],
        *found["build-system"]["requires"],
    ]
    listed += [one for extra in found["project"]["optional-dependencies"].values() for one in extra]
    return {canonicalize_name(Requirement(one).name) for one in listed}


def test_every_direct_dependency_has_its_reason() -> None:
    given: dict[str, str] = {}
    for names, reason in tables(read(ROOT / "DEVELOPERS.md"), "Why each dependency"):
        given |= dict.fromkeys((canonicalize_name(name.strip(" `")) for name in names.split(",")), reason)
    assert set(given) == direct_dependencies()
    assert {name: reason for name, reason in given.items() if len(reason.split()) < 2} == {}


def glossary() -> set[str]:
    """The words of the glossary; one row may hold several."""
    rows = tables(read(ROOT / "DEVELOPERS.md"), "Glossary")
    assert all(len(row) == 2 and row[1] for row in rows)
    return {word.strip(" `") for row in rows for word in row[0].split(",")}


# Tables that are one side of a word: they join two others, or are kept for the search's sake.
NOT_WORDS = {
    *("clip_file", "clip_text", "entry_tag", "entry_person", "touched", "wanted_person", "release_clip"),
}


def test_the_glossary_has_a_word_for_every_table() -> None:
    words = {table.replace("_", " ") for table in set(Base.metadata.tables) - NOT_WORDS}
    assert words - glossary() == set()


def test_the_glossary_has_the_words_that_are_no_table() -> None:
    assert {"manifest", "contact sheet", "verdict", "hand-over"} <= glossary()


def test_the_tour_names_what_is_there() -> None:
    """Each line of the tour begins with modules or folders: they exist in the part it stands under."""
    text = read(ROOT / "DEVELOPERS.md")
    (tour,) = re.findall(r"^## The tour\n.*?^```\n(.*?)^```$", text, re.DOTALL | re.MULTILINE)
    part, seen = ROOT, set()
    for line in tour.splitlines():
        names, _, _ = re.sub(r"\s{2,}", "\t", line.strip()).partition("\t")
        if not line.startswith(" "):
            part = ROOT / names.rstrip("/")
            assert part.is_dir(), line
            seen.add(part.name)
            continue
        for name in names.split(", "):
            place = part / name.rstrip("/")
            assert place.is_dir() or place.with_suffix(".py").is_file() or place.is_file(), (
                f"{part.name}: {name}"
            )
    assert seen == {"shared", "ingest", "api", "tests", "sample_media", "docker"}


# -- links ------------------------------------------------------------------------------------------


def anchors(text: str) -> set[str]:
    """The anchors of a document's headings, as Markdown renderers commonly make them."""
    headings = re.findall(r"^#+ (.+)$", CODE_FENCE.sub("", text), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).strip().replace(" ", "-") for heading in headings}


def links(text: str) -> Iterator[str]:
    yield from re.findall(r"\]\(<?([^)>\s]+)>?(?: \"[^\"]*\")?\)", CODE_FENCE.sub("", text))


@pytest.mark.parametrize("path", documents(), ids=ids(documents()))
def test_every_link_leads_somewhere(path: Path) -> None:
    for link in links(read(path)):
        if re.match(r"[a-z]+:", link):
            continue
        file, _, anchor = link.partition("#")
        target = (path.parent / unquote(file)).resolve() if file else path
        assert target.exists() and target.is_relative_to(ROOT), link
        if anchor:
            assert anchor in anchors(read(target)), link


@pytest.mark.parametrize("path", documents(), ids=ids(documents()))
def test_files_named_in_code_exist(path: Path) -> None:
    """A code span such as `shared/errors.py` is a promise that the file is there."""
    spans = re.findall(
        r"`((?:shared|ingest|api|tests|docker|sample_media)/[\w./-]+)`", CODE_FENCE.sub("", read(path))
    )
    assert [span for span in spans if not (ROOT / span).exists()] == []


def test_every_page_of_the_guide_can_be_reached() -> None:
    reached, waiting = set(), [GUIDE / "index.md"]
    while waiting:
        page = waiting.pop()
        reached.add(page)
        targets = {
            (page.parent / link.partition("#")[0]).resolve() for link in links(read(page)) if ".md" in link
        }
        waiting += [one for one in targets if one.parent == GUIDE and one not in reached and one.is_file()]
    assert {path.name for path in GUIDE.glob("*.md")} == {path.name for path in reached}
    assert "api/guide/index.md" in read(ROOT / "README.md")
