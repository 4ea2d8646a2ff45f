"""What can be tested of docker/ without a container engine: all that its files name exists and fits together.

Whether it runs is in tests/test_docker_run.py.
"""

from __future__ import annotations

import json
import re
import tomllib

import pytest
from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet
from packaging.utils import canonicalize_name

from api.app import create_app
from api.guard import OPEN_PATHS, check_token, is_loopback
from shared.db import Sessions, make_engine
from shared.errors import UsageError
from shared.settings import Settings, load_settings
from tests.commands import complaint
from tests.docker_files import (
    DOCKER,
    GIVEN,
    PACKAGES,
    PROGRAM_SERVICES,
    ROOT,
    copied,
    environment,
    lock,
    mounts,
    project,
    raw_compose,
    read,
    said,
    services,
    settings_of,
)

# -- both files -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["Dockerfile", "compose.yaml", "README.md"])
def test_the_files_say_that_they_were_not_run(name: str) -> None:
    assert re.search(r"not run", read(name), re.IGNORECASE)
    assert "tests/test_docker.py" in read(name)


@pytest.mark.parametrize("name", ["Dockerfile", "compose.yaml", "README.md"])
def test_every_setting_they_name_exists(name: str) -> None:
    named = {word.lower() for word in re.findall(r"\bRUSHLIGHT_([A-Z_]+)\b", read(name))}
    assert named and named <= set(Settings.model_fields)


def test_no_secret_stands_in_them() -> None:
    assert not [name for name in environment() if "TOKEN" in name or "PASSWORD" in name]
    for service in raw_compose()["services"].values():
        for name, value in service["environment"].items():
            if "TOKEN" in name or "PASSWORD" in name or "DATABASE" in name:
                assert ":?" in value, f"{name} must be given from outside"
    assert ".env" in read(".gitignore").splitlines()


# -- the Dockerfile ---------------------------------------------------------------------------------


def test_everything_copied_exists_and_is_let_through() -> None:
    assert [name for name in copied() if not (ROOT / name).exists()] == []
    let_through = {line[1:] for line in read("Dockerfile.dockerignore").splitlines() if line.startswith("!")}
    assert let_through == set(copied())


def test_the_package_is_copied_whole() -> None:
    """What uv_build packs: the modules of its configuration, and what [project] names."""
    configured = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    modules = configured["tool"]["uv"]["build-backend"]["module-name"]
    wanted = {
        *modules,
        "pyproject.toml",
        "requirements.lock",
        project()["readme"],
        *project()["license-files"],
    }
    assert set(copied()) == wanted
    assert set(modules) == set(PACKAGES)


def test_the_python_is_one_that_the_project_takes() -> None:
    images = {text.split(" AS ")[0] for text in said("FROM")}
    assert len(images) == 1, "what is built in one is run in the other"
    match = re.fullmatch(r"python:(\d+\.\d+)-slim-bookworm", images.pop())
    assert match is not None
    assert match[1] in SpecifierSet(project()["requires-python"])
    assert f"Programming Language :: Python :: {match[1]}" in project()["classifiers"]


def test_what_is_installed_is_the_lock_s() -> None:
    (fetch, *rest) = said("RUN")
    assert "--require-hashes -r requirements.lock" in fetch
    assert "PIP_NO_INDEX=1" in " ".join(said("ENV")), "after that nothing comes from elsewhere"
    (installed,) = re.findall(r'pip install --no-cache-dir "(\w+)\[(\w+)\]"', " ".join(rest))
    assert installed[0] == project()["name"]
    wanted = project()["dependencies"] + project()["optional-dependencies"][installed[1]]
    built_with = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["build-system"][
        "requires"
    ]
    pinned = lock()
    for requirement in map(Requirement, [*wanted, *built_with]):
        assert pinned[canonicalize_name(requirement.name)] in requirement.specifier, requirement
    assert "psycopg" in pinned and "psycopg-binary" in pinned


def test_fonts_are_those_of_the_demo() -> None:
    (install,) = re.findall(
        r"apt-get install -y --no-install-recommends ([\w -]+?) +&&", " ".join(said("RUN"))
    )
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    (wanted,) = re.findall(r"^DEMO_PACKAGES := (.*)$", makefile, re.MULTILINE)
    assert set(install.split()) == set(wanted.split()) - {"python3-venv"}


def test_it_does_not_run_as_root_and_owns_its_home() -> None:
    (user,) = said("USER")
    made = " ".join(said("RUN"))
    home = environment()["RUSHLIGHT_HOME"]
    assert f"useradd --uid 1000 --create-home {user}" in made
    assert f"install -d -o {user} -g {user} {home}" in made
    assert said("VOLUME") == said("WORKDIR")[1:] == [home]


def test_its_settings_ports_and_command_exist(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in environment().items():
        if name.startswith("RUSHLIGHT_"):
            monkeypatch.setenv(name, value)
    settings = load_settings()
    assert [str(settings.port)] == said("EXPOSE")
    assert settings.port == Settings.model_fields["port"].default
    (entry,), words = (json.loads(said(name)[0]) for name in ("ENTRYPOINT", "CMD"))
    assert entry in project()["scripts"]
    assert complaint(words) is None


# -- compose.yaml -----------------------------------------------------------------------------------


def test_the_parts_are_those_that_are_promised() -> None:
    assert set(services()) == {"database", *PROGRAM_SERVICES}


def test_what_must_be_given_is_listed_with_what_it_is() -> None:
    needed = set(re.findall(r"\$\{(\w+):[?-]", read("compose.yaml")))
    assert needed == {*GIVEN, "RUN_AS"}
    assert set(re.findall(r"^#   ([A-Z_]+) ", read("compose.yaml"), re.MULTILINE)) == needed
    (example,) = re.findall(r"```sh\n(RUSHLIGHT_TOKEN=.*?)```", read("README.md"), re.DOTALL)
    assert set(re.findall(r"^([A-Z_]+)=", example, re.MULTILINE)) == needed
    for name in GIVEN:
        with pytest.raises(AssertionError, match=f"{name} must be given"):
            services({key: value for key, value in GIVEN.items() if key != name})


def test_the_build_is_that_of_the_dockerfile() -> None:
    for name in PROGRAM_SERVICES:
        build = services()[name]["build"]
        assert (DOCKER / build["context"]).resolve() == ROOT
        assert ROOT / build["dockerfile"] == DOCKER / "Dockerfile"
        assert services()[name]["image"] == "rushlight"


@pytest.mark.parametrize(
    ("name", "words"), [("upgrade", ["upgrade"]), ("service", ["serve", "--alone"]), ("worker", ["work"])]
)
def test_each_part_runs_its_command(name: str, words: list[str]) -> None:
    assert services()[name]["command"] == words
    assert complaint(words) is None


def test_nothing_starts_before_what_it_needs() -> None:
    everything = services()
    for name in ("service", "worker"):
        assert everything[name]["depends_on"] == {
            "database": {"condition": "service_healthy"},
            "upgrade": {"condition": "service_completed_successfully"},
        }
    assert everything["upgrade"]["depends_on"] == {"database": {"condition": "service_healthy"}}
    assert "healthcheck" in everything["database"]
    assert everything["upgrade"]["restart"] == "no", "else it would never be completed"


@pytest.mark.parametrize("name", PROGRAM_SERVICES)
def test_the_settings_are_accepted_and_meet_the_mounts(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    settings = settings_of(name, monkeypatch)
    assert {key for key in services()[name]["environment"] if not key.startswith("RUSHLIGHT_")} == set()
    assert mounts(name)[str(settings.home)]["source"] == "home"
    if name != "upgrade":
        assert {str(folder) for folder in settings.watch_folders} <= set(mounts(name))
    if name == "worker":
        folders = {str(folder) for folder in settings.destinations.values()}
        assert len(folders) == 2 and folders <= set(mounts(name))


def test_service_and_worker_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    """A request names a card folder and destinations that both must know."""
    service, worker = settings_of("service", monkeypatch), settings_of("worker", monkeypatch)
    for field in ("home", "database", "watch_folders", "destinations"):
        assert getattr(service, field) == getattr(worker, field)


def test_cards_are_read_only_and_the_service_sees_no_drive() -> None:
    for name in ("service", "worker"):
        assert mounts(name)["/cards"]["read_only"] is True
        assert mounts(name)["/cards"]["bind"] == {"propagation": "rslave"}
    assert [path for path in mounts("service") if path.startswith("/drives")] == []
    sources = [one["source"] for path, one in mounts("worker").items() if path.startswith("/drives")]
    assert sources == [GIVEN["FIRST_DRIVE"], GIVEN["SECOND_DRIVE"]]


def test_every_volume_is_defined_and_used() -> None:
    used = {one["source"] for name in services() for one in mounts(name).values() if one["type"] == "volume"}
    assert used == set(raw_compose()["volumes"])


def test_the_database_is_the_one_that_is_started(monkeypatch: pytest.MonkeyPatch) -> None:
    given = services()["database"]["environment"]
    url = make_engine(settings_of("service", monkeypatch).database_url).url
    assert (url.host, url.get_backend_name(), url.get_driver_name()) == ("database", "postgresql", "psycopg")
    assert (url.username, url.password, url.database) == (
        given["POSTGRES_USER"],
        given["POSTGRES_PASSWORD"],
        given["POSTGRES_DB"],
    )
    check = services()["database"]["healthcheck"]["test"]
    assert check == ["CMD", "pg_isready", "-U", given["POSTGRES_USER"], "-d", given["POSTGRES_DB"]]


def test_the_service_is_open_to_this_machine_and_needs_its_token(monkeypatch: pytest.MonkeyPatch) -> None:
    settings = settings_of("service", monkeypatch)
    assert services()["service"]["ports"] == [f"127.0.0.1:{settings.port}:{settings.port}"]
    assert [name for name in services() if "ports" in services()[name]] == ["service"]
    assert not is_loopback(settings.host)
    check_token(settings)
    with pytest.raises(UsageError, match="RUSHLIGHT_TOKEN"):
        check_token(settings.model_copy(update={"token": ""}))


def test_the_health_check_asks_a_path_that_needs_no_token(
    monkeypatch: pytest.MonkeyPatch, catalogue: Sessions
) -> None:
    settings = settings_of("service", monkeypatch)
    test = services()["service"]["healthcheck"]["test"]
    assert test[:3] == ["CMD", "python", "-c"]
    (port, path) = re.findall(r"http://127\.0\.0\.1:(\d+)(/[\w/]+)", test[3])[0]
    assert int(port) == settings.port
    assert path in OPEN_PATHS
    assert path in create_app(settings, catalogue).openapi()["paths"]


@pytest.mark.parametrize("name", PROGRAM_SERVICES)
def test_nothing_runs_with_more_rights_than_it_needs(name: str) -> None:
    part = services()[name]
    assert part["user"] == "1000:1000"
    assert part["cap_drop"] == ["ALL"]
    assert part["security_opt"] == ["no-new-privileges:true"]
    assert not part.get("privileged") and "cap_add" not in part and "network_mode" not in part
