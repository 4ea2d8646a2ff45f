"""A private PostgreSQL server for tests: a cluster in a temporary folder, reached by a socket there.

Nothing listens on the network, and the cluster is gone at the end. It needs Debian's package `postgresql`;
where that is missing the tests that ask for a server are skipped, with the reason. A test module that
wants the fixtures says `pytest_plugins = ("tests.postgres",)`.
"""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from itertools import count
from pathlib import Path
from typing import Any

import psycopg
import pytest
from sqlalchemy.engine import make_url

from shared.db import open_catalogue

OWNER = "rushlight"
START_SECONDS = 60.0
_numbers = count(1)


@dataclass(frozen=True)
class Cluster:
    """A running server; `folder` holds its socket."""

    folder: Path

    @cached_property
    def _own(self) -> psycopg.Connection:
        """One connection for all that is asked of the server itself: each new one costs as much as a copy."""
        return psycopg.connect(host=str(self.folder), user=OWNER, dbname="postgres", autocommit=True)

    def url(self, database: str) -> str:
        return f"postgresql+psycopg://{OWNER}@/{database}?host={self.folder}"

    def make_database(self) -> str:
        """The URL of a new, empty database."""
        name = f"catalogue_{next(_numbers)}"
        self.run(f"CREATE DATABASE {name}")
        return self.url(name)

    def copy_database(self, template: str) -> str:
        """The URL of a new database with all that the other one holds; nobody may be connected to that."""
        name = f"catalogue_{next(_numbers)}"
        self.run(f"CREATE DATABASE {name} TEMPLATE {make_url(template).database}")
        return self.url(name)

    def run(self, statement: str) -> None:
        self._own.execute(statement.encode())

    def close(self) -> None:
        if "_own" in vars(self):
            self._own.close()


def find_programs() -> Path | None:
    """The folder with `initdb` and `postgres`: on the path, else the newest of Debian's."""
    found = shutil.which("initdb")
    if found is not None:
        return Path(found).resolve().parent
    versions = [path.parent for path in Path("/usr/lib/postgresql").glob("*/bin/initdb")]
    return max(versions, key=lambda folder: int(folder.parent.name.split(".")[0]), default=None)


@contextmanager
def running_cluster(programs: Path) -> Iterator[Cluster]:
    """Make a cluster, start it, and stop and remove it at the end."""
    folder = Path(tempfile.mkdtemp(prefix="postgresql-"))  # short: a socket's path has 107 bytes at most
    try:
        owner = _unprivileged(folder)
        _make_cluster(programs, folder, owner)
        log = folder / "log"
        # Durability is the server's own affair and tested elsewhere; here it only costs time.
        switches = ["listen_addresses=", "fsync=off", "synchronous_commit=off", "full_page_writes=off"]
        with log.open("wb") as output:
            server = subprocess.Popen(
                [
                    programs / "postgres",
                    *("-D", folder / "data", "-k", folder),
                    *(part for switch in switches for part in ("-c", switch)),
                ],
                cwd=folder,
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=subprocess.STDOUT,
                **owner,
            )
        cluster = Cluster(folder)
        try:
            _wait_until_ready(cluster, server, log)
            yield cluster
        finally:
            cluster.close()
            server.send_signal(signal.SIGQUIT)  # "immediate": nothing of it is kept
            try:
                server.wait(30)
            except subprocess.TimeoutExpired:
                server.kill()
                server.wait()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _unprivileged(folder: Path) -> dict[str, Any]:
    """The server refuses to run as root: then it runs as `nobody`, who is given the folder."""
    if os.geteuid() != 0:
        return {}
    nobody = pwd.getpwnam("nobody")
    os.chown(folder, nobody.pw_uid, nobody.pw_gid)
    return {"user": nobody.pw_uid, "group": nobody.pw_gid, "extra_groups": []}


def _make_cluster(programs: Path, folder: Path, owner: dict[str, Any]) -> None:
    made = subprocess.run(
        [
            programs / "initdb",
            *("-D", folder / "data", "-U", OWNER),
            *("--auth=trust", "--encoding=UTF8", "--no-locale", "--no-sync"),
        ],
        cwd=folder,
        capture_output=True,
        text=True,
        **owner,
    )
    assert made.returncode == 0, made.stderr


def _wait_until_ready(cluster: Cluster, server: subprocess.Popen[bytes], log: Path) -> None:
    end = time.monotonic() + START_SECONDS
    while True:
        assert server.poll() is None, f"the server did not start:\n{log.read_text()}"
        try:
            cluster.run("SELECT 1")
            return
        except psycopg.OperationalError:
            if time.monotonic() > end:
                raise
            time.sleep(0.05)


@pytest.fixture(scope="session")
def postgres() -> Iterator[Cluster]:
    programs = find_programs()
    if programs is None:
        pytest.skip("PostgreSQL's server is not installed: apt-get install postgresql")
    with running_cluster(programs) as cluster:
        yield cluster


@pytest.fixture(scope="session")
def postgres_migrated(postgres: Cluster) -> str:
    """The URL of an empty catalogue, migrated. To be copied, never opened."""
    url = postgres.make_database()
    open_catalogue(url).dispose()
    return url


@pytest.fixture
def postgres_url(postgres: Cluster) -> str:
    """The URL of a new, empty database."""
    return postgres.make_database()
