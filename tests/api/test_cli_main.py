"""Only what a command needs is loaded, and every command is listed."""

from __future__ import annotations

import subprocess
import sys

import pytest
from typer.core import TyperGroup
from typer.main import get_command

from api.cli.main import PARTS, command_line

EVERY = [command for commands in PARTS.values() for command in commands]


def names(*arguments: str) -> set[str]:
    group = get_command(command_line(arguments))
    assert isinstance(group, TyperGroup)
    return set(group.commands)


@pytest.mark.parametrize(("part", "commands"), PARTS.items())
def test_the_table_names_what_each_module_brings(part: str, commands: tuple[str, ...]) -> None:
    for command in commands:
        assert names(command, "--help") == set(commands)


@pytest.mark.parametrize("arguments", [(), ("--help",), ("oflood",), ("", "offload")])
def test_without_a_known_command_all_are_there(arguments: tuple[str, ...]) -> None:
    assert names(*arguments) == set(EVERY)


def test_an_offload_loads_neither_the_service_nor_what_makes_a_catalogue() -> None:
    code = (
        "import sys; from api.cli.main import command_line; command_line(['offload']); "
        "print([m for m in ('fastapi', 'alembic', 'av', 'numpy', 'PIL') if m in sys.modules])"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"
