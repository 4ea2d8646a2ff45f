"""Whether a command line that some text shows is one of this program's."""

from __future__ import annotations

import re
import shlex
from collections.abc import Sequence
from functools import cache

from typer.core import TyperGroup, TyperOption
from typer.main import get_command

from api.cli.main import command_line


@cache
def group() -> TyperGroup:
    command = get_command(command_line())
    assert isinstance(command, TyperGroup)
    return command


def command_names() -> set[str]:
    return set(group().commands)


def command_lines(text: str) -> list[list[str]]:
    """The words after each `rushlight` in the fenced shell blocks and the code spans of a Markdown text."""
    blocks = re.findall(r"^```sh\n(.*?)^```$", text, re.DOTALL | re.MULTILINE)
    without = re.sub(r"^```.*?^```$", "", text, flags=re.DOTALL | re.MULTILINE)
    spans = re.findall(r"`([^`\n]+)`", without)
    lines = [line for block in blocks for line in block.replace("\\\n", " ").splitlines()] + spans
    found = []
    for line in lines:
        words = (
            shlex.split(line, comments=True) if line.count('"') % 2 == 0 and "'" not in line else line.split()
        )
        found += [words[place + 1 :] for place in range(len(words) - 1) if _is_called(words, place)][:1]
    return found


def _is_called(words: Sequence[str], place: int) -> bool:
    """Whether the word there is the command: first, after variables that are set, or after `exec SERVICE`."""
    before = words[:place]
    first = all("=" in word for word in before) or before[-2:-1] == ["exec"]
    return words[place].rpartition("/")[2] == "rushlight" and first


def complaint(words: Sequence[str]) -> str | None:
    """Why `rushlight WORDS` is no command line of the program: no such command, or no such option."""
    if words[0] == "--help":
        return None
    command = group().commands.get(words[0])
    if command is None:
        return f"there is no command {words[0]}"
    options = {"--help"} | {
        name for one in command.params if isinstance(one, TyperOption) for name in one.opts
    }
    free = bool((command.context_settings or {}).get("ignore_unknown_options"))
    for word in words[1:]:
        name = word.strip("[]…").split("=")[0]
        is_option = name.startswith("--") or (name.startswith("-") and len(name) == 2 and not free)
        if is_option and name not in options:
            return f"`{words[0]}` has no option {name}"
    return None
