"""The files of docker/, read: what they copy, set, mount and run."""

from __future__ import annotations

import functools
import re
import shlex
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
import yaml

from shared.settings import Settings, load_settings

ROOT = Path(__file__).parents[1]
DOCKER = ROOT / "docker"
PACKAGES = ("shared", "ingest", "api", "sample_media")
GIVEN = {
    "RUSHLIGHT_TOKEN": "a-long-random-text",
    "DATABASE_PASSWORD": "letters0and1digits",
    "CARDS": "/media/you",
    "FIRST_DRIVE": "/media/you/north/rushes",
    "SECOND_DRIVE": "/media/you/south/rushes",
}
PROGRAM_SERVICES = ("upgrade", "service", "worker")


def read(name: str) -> str:
    return (DOCKER / name).read_text(encoding="utf-8")


def instructions() -> list[tuple[str, str]]:
    """The Dockerfile's instructions with their text, lines that go on joined."""
    text = re.sub(r"\\\n", " ", re.sub(r"^\s*#.*\n", "", read("Dockerfile"), flags=re.MULTILINE))
    return [(line.split()[0], line.split(None, 1)[1]) for line in text.splitlines() if line.strip()]


def said(instruction: str) -> list[str]:
    return [text for name, text in instructions() if name == instruction]


def copied() -> list[str]:
    """What is copied from the build context."""
    return [word for text in said("COPY") if "--from" not in text for word in text.split()[:-1]]


def environment() -> dict[str, str]:
    """ENV of the final image."""
    last = max(place for place, (name, _) in enumerate(instructions()) if name == "FROM")
    words = [word for name, text in instructions()[last:] if name == "ENV" for word in shlex.split(text)]
    return {name: value for name, _, value in (word.partition("=") for word in words)}


@functools.cache
def raw_compose() -> Any:
    return yaml.safe_load(read("compose.yaml"))


def fill_in(value: Any, given: Mapping[str, str]) -> Any:
    """The Compose Specification's interpolation, as far as it is used: ${NAME:?message}, ${NAME:-default}."""
    if isinstance(value, dict):
        return {key: fill_in(one, given) for key, one in value.items()}
    if isinstance(value, list):
        return [fill_in(one, given) for one in value]
    if not isinstance(value, str):
        return value

    def one(match: re.Match[str]) -> str:
        name, kind, rest = match[1], match[2], match[3]
        if given.get(name):
            return given[name]
        assert kind == ":-", f"{name} must be given: {rest}"
        return rest

    return re.sub(r"\$\{(\w+)(:[?-])([^}]*)\}", one, value)


def services(given: Mapping[str, str] = GIVEN) -> dict[str, Any]:
    found = fill_in(raw_compose(), given)["services"]
    assert isinstance(found, dict)
    return found


def environment_of(name: str) -> dict[str, str]:
    """What a container of this service has in its environment."""
    given: dict[str, str] = services()[name]["environment"]
    return environment() | given


def settings_of(name: str, monkeypatch: pytest.MonkeyPatch) -> Settings:
    with monkeypatch.context() as patch:
        for key, value in environment_of(name).items():
            if key.startswith("RUSHLIGHT_"):
                patch.setenv(key, value)
        return load_settings()


def mounts(name: str) -> dict[str, dict[str, Any]]:
    """A service's mounts by the path inside; short ones (`volume:path`) in the long form."""
    found = {}
    for one in services()[name].get("volumes", []):
        if isinstance(one, str):
            source, target = one.split(":")
            one = {"type": "volume", "source": source, "target": target}
        found[one["target"]] = one
    return found


def project() -> Any:
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def lock() -> dict[str, str]:
    """Pinned versions of the lock file; every one has its hashes."""
    text = (ROOT / "requirements.lock").read_text(encoding="utf-8").replace("\\\n", " ")
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    assert all("--hash=sha256:" in line for line in lines)
    return {match[1]: match[2] for line in lines if (match := re.match(r"([a-z0-9-]+)==(\S+)", line))}
