"""docker/ without its containers: the package is built as the Dockerfile builds it, and the commands of
compose.yaml run with its settings against a real PostgreSQL.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from shared.db import make_engine
from tests.docker_files import GIVEN, PACKAGES, PROGRAM_SERVICES, ROOT, environment_of, mounts, services

if TYPE_CHECKING:
    from tests.postgres import Cluster  # at run time pytest imports it, as the plugin below

pytest_plugins = ("tests.postgres",)


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The package as the image has it, built by the same backend, unpacked."""
    folder = tmp_path_factory.mktemp("wheel")
    path = os.pathsep.join([str(Path(sys.executable).parent), os.environ.get("PATH", "")])
    built = subprocess.run(
        [sys.executable, "-c", "import sys, uv_build; uv_build.build_wheel(sys.argv[1])", str(folder)],
        cwd=ROOT,
        env={**os.environ, "PATH": path},
        capture_output=True,
        text=True,
    )
    assert built.returncode == 0, built.stderr
    (file,) = folder.glob("rushlight-*.whl")
    with zipfile.ZipFile(file) as archive:
        archive.extractall(folder / "unpacked")
    return folder / "unpacked"


def test_the_wheel_has_every_file_of_the_packages(wheel: Path) -> None:
    def files_below(folder: Path) -> set[str]:
        return {
            str(path.relative_to(folder))
            for package in PACKAGES
            for path in (folder / package).rglob("*")
            # What is shown from the README is for whoever reads the repository.
            if path.is_file() and not {"__pycache__", "shown"} & set(path.parts)
        }

    assert files_below(wheel) == files_below(ROOT)
    assert "shared/vocabulary.toml" in files_below(wheel)


@dataclass(frozen=True)
class Stand:
    """The services of compose.yaml without their containers: on this machine, in folders of the test."""

    code: Path  # the unpacked wheel
    folder: Path  # in place of "/"
    port: int
    environments: dict[str, dict[str, str]]

    def command(self, name: str, *words: str) -> dict[str, Any]:
        command = words or tuple(services()[name]["command"])
        return {
            "args": [sys.executable, "-m", "api.cli", *command],
            "cwd": self.code,
            "env": self.environments[name],
            "stdin": subprocess.DEVNULL,
        }

    def run(self, name: str, *words: str) -> None:
        done = subprocess.run(**self.command(name, *words), capture_output=True, text=True, timeout=120)
        assert done.returncode == 0, done.stderr

    @contextmanager
    def running(self, name: str) -> Iterator[subprocess.Popen[bytes]]:
        with (self.folder / f"{name}.log").open("wb") as output:
            process = subprocess.Popen(**self.command(name), stdout=output, stderr=subprocess.STDOUT)
        try:
            yield process
        finally:
            process.send_signal(signal.SIGTERM)
            try:
                ended = process.wait(60)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
                raise
        assert ended == 0, (self.folder / f"{name}.log").read_text()

    def is_healthy(self) -> bool:
        _, _, _, code = services()["service"]["healthcheck"]["test"]
        code = code.replace(":8640/", f":{self.port}/")
        return subprocess.run([sys.executable, "-c", code], capture_output=True).returncode == 0

    def ask(self, path: str, body: object = None, *, token: str | None = GIVEN["RUSHLIGHT_TOKEN"]) -> Any:
        request = urllib.request.Request(f"http://127.0.0.1:{self.port}{path}")
        if token is not None:
            request.add_header("Authorization", f"Bearer {token}")
        if body is not None:
            request.data = json.dumps(body).encode()
            request.add_header("Content-Type", "application/json")
        with urllib.request.urlopen(request, timeout=30) as answer:
            return json.load(answer)


@pytest.fixture
def stand(wheel: Path, postgres: Cluster, tmp_path: Path) -> Stand:
    database = postgres.make_database().split("@/")[1]  # NAME?host=FOLDER
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = int(free.getsockname()[1])
    environments = {}
    for name in PROGRAM_SERVICES:
        given = {key: value for key, value in environment_of(name).items() if key.startswith("RUSHLIGHT_")}
        for target in mounts("worker"):
            (tmp_path / target[1:]).mkdir(parents=True, exist_ok=True)
            given = {key: value.replace(target, f"{tmp_path}{target}") for key, value in given.items()}
        given["RUSHLIGHT_DATABASE"] = given["RUSHLIGHT_DATABASE"].replace(
            "@database/rushlight", f"@/{database}"
        )
        given["RUSHLIGHT_PORT"] = str(port)
        outside = {key: value for key, value in os.environ.items() if not key.startswith("RUSHLIGHT_")}
        environments[name] = {**outside, **given, "PYTHONUNBUFFERED": "1"}
    return Stand(wheel, tmp_path, port, environments)


def wait_for(
    what: str, is_so: Callable[[], bool], *processes: subprocess.Popen[bytes], seconds: float = 90
) -> None:
    end = time.monotonic() + seconds
    while not is_so():
        assert all(process.poll() is None for process in processes), f"ended before {what}"
        assert time.monotonic() < end, f"waited too long for {what}"
        time.sleep(0.2)


@pytest.mark.slow
def test_a_card_is_offloaded_by_service_worker_and_postgresql(stand: Stand) -> None:
    """From the built package: upgrade, start both, ask for an offload, and find the copies."""
    card = stand.folder / "cards" / "A01"
    (card / "DCIM").mkdir(parents=True)
    (card / "DCIM" / "notes.txt").write_bytes(b"the winch at dawn\n" * 1000)
    stand.run("upgrade")
    stand.run("service", "new", "The Chain Ferry", "--zone", "Europe/Copenhagen")
    with stand.running("service") as service, stand.running("worker") as worker:
        wait_for("a healthy service", stand.is_healthy, service, worker)
        with pytest.raises(urllib.error.HTTPError, match="401"):
            stand.ask("/api/v1/productions", token=None)
        assert [one["name"] for one in stand.ask("/api/v1/productions")["items"]] == ["The Chain Ferry"]
        (folder,) = stand.ask("/api/v1/card-folders")["items"]
        names = [one["name"] for one in stand.ask("/api/v1/destinations")["items"]]
        request = stand.ask("/api/v1/offloads", {"card": folder["id"], "to": names})
        here = f"/api/v1/requests/{request['id']}"
        wait_for("the offload", lambda: stand.ask(here)["state"] in ("done", "failed"), service, worker)
        ended = stand.ask(here)
        assert ended["state"] == "done", ended["error"]
        copies = [*stand.folder.glob("drives/*/*/*/*/DCIM/notes.txt")]
        assert len(copies) == 2
        assert {copy.read_bytes() for copy in copies} == {(card / "DCIM" / "notes.txt").read_bytes()}


@pytest.mark.slow
def test_the_service_refuses_another_schema_with_the_command_to_run(stand: Stand) -> None:
    stand.run("upgrade")
    engine = make_engine(stand.environments["service"]["RUSHLIGHT_DATABASE"])
    with engine.begin() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '0000'")
    engine.dispose()
    refused = subprocess.run(**stand.command("service"), capture_output=True, text=True, timeout=60)
    assert refused.returncode == 1
    assert "rushlight upgrade" in refused.stderr
    assert GIVEN["DATABASE_PASSWORD"] not in refused.stderr
