"""The rules of the house: who may import whom, what lies where, what no file may hold.

The reasons stand in DEVELOPERS.md; here is what a program can check of them.
"""

from __future__ import annotations

import ast
import builtins
import fnmatch
import functools
import importlib
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from shared import errors

ROOT = Path(__file__).parents[1]
PACKAGES = ("shared", "ingest", "api", "sample_media")
TOP_LEVEL = {
    *PACKAGES,
    *("tests", "docker"),
    *("README.md", "DEVELOPERS.md", "LICENSE", "Makefile", "pyproject.toml", "requirements.lock"),
}
# Lines a file may have. A longer one needs a reason here, and is taken off the list when it is split.
MOST_LINES, MOST_TEST_LINES = 450, 600
LONGER = {
    "shared/migrations/versions/v0001_first.py": "one schema, column by column; never edited once released"
}
# Exceptions that are no errors to a person: each is caught by the part that raises it.
STEERING = {
    "ingest/worker.py: StopRequested",
    "ingest/mhl/safexml.py: StopReadingError",
    "ingest/mhl/scan.py: _RefusedError",
}
BUILT_IN = {
    name
    for name, kind in vars(builtins).items()
    if isinstance(kind, type) and issubclass(kind, BaseException)
}
# Where an error of any kind may be caught and not raised again at once, and why.
EDGES = {
    "ingest/worker.py": "one request's bug must not end the worker",
    "ingest/watch.py": "one card's bug must not end the watch",
    "ingest/measure/ahead.py": "raised again in the thread that waits",
    "ingest/copy.py": "raised again in the thread that waits",
    "ingest/ring.py": "raised again in the thread that waits",
    "ingest/settle.py": "raised again in the thread that waits",
    "api/guard.py": "becomes a problem document with the request's number",
}


def ignored(path: Path) -> bool:
    """What .gitignore leaves out; its patterns here are names, with or without a slash at the end."""
    patterns = [line.strip().rstrip("/") for line in (ROOT / ".gitignore").read_text().splitlines()]
    parts = path.relative_to(ROOT).parts
    return any(fnmatch.fnmatch(part, pattern) for part in parts for pattern in patterns if pattern)


def files(*folders: str, suffix: str = ".py") -> list[Path]:
    found = [path for folder in folders for path in (ROOT / folder).rglob(f"*{suffix}") if not ignored(path)]
    assert found
    return sorted(found)


def short(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


@functools.cache
def parsed(*folders: str) -> tuple[tuple[str, ast.Module], ...]:
    """Each file's name and its syntax tree, parsed once a run."""
    return tuple((short(path), ast.parse(path.read_text(encoding="utf-8"))) for path in files(*folders))


# -- who may import whom ------------------------------------------------------------------------------


def lint_imports(folder: Path) -> subprocess.CompletedProcess[str]:
    program = Path(sys.executable).with_name("lint-imports")
    return subprocess.run([program, "--no-cache"], cwd=folder, capture_output=True, text=True)


def test_the_import_contract_is_kept() -> None:
    checked = lint_imports(ROOT)
    assert checked.returncode == 0, checked.stdout


PLANTED = {
    "shared/timecode.py": "import ingest.card",
    "shared/names.py": "import api.errors",
    "shared/catalogue/reels.py": "import sample_media.production",
    "ingest/verdict.py": "import api.errors",
    "ingest/media/kinds.py": "import sample_media.production",
    "api/routes/health.py": "import ingest.card",
    "api/pages/site.py": "import ingest.pipeline",
    "api/handover/cells.py": "import sample_media.production",
    "api/app.py": "import api.cli.find",
}


def copy_of_the_code(folder: Path) -> Path:
    for name in PACKAGES:
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", folder)
    return folder


def test_the_import_contract_catches_what_is_planted(tmp_path: Path) -> None:
    """Each import that may not be, in a copy of the code, is named with its line."""
    code = copy_of_the_code(tmp_path)
    for name, line in PLANTED.items():
        with (code / name).open("a", encoding="utf-8") as file:
            file.write(f"\n{line}\n")
    checked = lint_imports(code)
    assert checked.returncode == 1
    said = re.sub(r"\s+", " ", checked.stdout)
    for name, line in PLANTED.items():
        importer, imported = name.removesuffix(".py").replace("/", "."), line.removeprefix("import ")
        number = len((code / name).read_text(encoding="utf-8").splitlines())
        assert f"{importer} -> {imported} (l.{number})" in said, name


@functools.cache
def imports(tree: ast.Module) -> frozenset[str]:
    """Every module that a file names in an import, wherever it stands."""
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute"
            found |= {f"{node.module}.{alias.name}" for alias in node.names} | {str(node.module)}
    return frozenset(found)


def below(name: str, package: str) -> bool:
    return name == package or name.startswith(f"{package}.")


def test_nothing_of_the_service_imports_the_command() -> None:
    for name, tree in parsed("api"):
        if not name.startswith("api/cli/"):
            assert not [one for one in imports(tree) if below(one, "api.cli")], name


@pytest.mark.parametrize(
    ("module", "only_in"),
    [
        ("av", ("ingest/", "sample_media/")),
        ("pymediainfo", ("ingest/",)),
        ("watchdog", ("ingest/",)),
        ("fastapi", ("api/",)),
        ("uvicorn", ("api/",)),
        ("typer", ("api/cli/",)),
        ("opentimelineio", ("api/handover/",)),
        ("alembic", ("shared/upgrading.py", "shared/migrations/")),
    ],
)
def test_a_library_is_used_where_it_belongs(module: str, only_in: tuple[str, ...]) -> None:
    users = {name for name, tree in parsed(*PACKAGES) if any(below(one, module) for one in imports(tree))}
    assert users, f"{module} is used nowhere"
    assert {name for name in users if not name.startswith(only_in)} == set()


TESTS_NEED = {
    "tests",
    "pytest",
    "axe_playwright_python",
    "hypothesis",
    "httpx2",
    "playwright",
    "psutil",
    "schemathesis",
    "yaml",
}


def test_the_packages_do_not_need_what_only_tests_need() -> None:
    for name, tree in parsed(*PACKAGES):
        used = {one.split(".")[0] for one in imports(tree)}
        assert not used & TESTS_NEED, name


# -- what lies where --------------------------------------------------------------------------------


@pytest.mark.parametrize("name", PACKAGES)
def test_a_package_is_the_one_in_this_folder(name: str) -> None:
    """The names are plain, and another distribution of that name would win over this one."""
    file = importlib.import_module(name).__file__
    assert file is not None and Path(file).parent == ROOT / name


def test_nothing_else_lies_at_the_top() -> None:
    there = {path.name for path in ROOT.iterdir() if not path.name.startswith(".") and not ignored(path)}
    assert there <= TOP_LEVEL, "DEVELOPERS.md says where things go"
    assert there >= TOP_LEVEL


def test_every_folder_of_code_is_a_package() -> None:
    """Without its __init__.py, tests/api would be imported as `api`."""
    folders = {path.parent for path in files(*PACKAGES, "tests")}
    assert [short(folder) for folder in sorted(folders) if not (folder / "__init__.py").is_file()] == []


def test_no_file_is_longer_than_one_reads() -> None:
    long = {}
    for path in files(*PACKAGES, "tests"):
        lines = len(path.read_text(encoding="utf-8").splitlines())
        if lines > (MOST_TEST_LINES if short(path).startswith("tests/") else MOST_LINES):
            long[short(path)] = lines
    assert {name: lines for name, lines in long.items() if name not in LONGER} == {}
    assert set(LONGER) <= set(long), "what is no longer long needs no exception"


# -- what no file may hold ----------------------------------------------------------------------------

MAKERS = {
    "Settings",
    "load_settings",
    "create_engine",
    "make_engine",
    "open_catalogue",
    "sessionmaker",
    "make_sessions",
    "FastAPI",
    "create_app",
}


def run_at_import(node: ast.AST) -> Iterator[ast.AST]:
    """Every node that is evaluated when the module is imported: not the bodies of functions."""
    waiting = list(ast.iter_child_nodes(node))
    while waiting:
        child = waiting.pop()
        if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            waiting += [*child.args.defaults, *(one for one in child.args.kw_defaults if one)]
            waiting += [] if isinstance(child, ast.Lambda) else child.decorator_list
            continue
        yield child
        waiting += ast.iter_child_nodes(child)


def made_at_import(tree: ast.Module) -> list[str]:
    calls = [node for node in run_at_import(tree) if isinstance(node, ast.Call)]
    names = [
        call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")
        for call in calls
    ]
    return [name for name in names if name in MAKERS]


def test_no_settings_engine_or_application_is_made_at_import() -> None:
    for name, tree in parsed(*PACKAGES, "tests"):
        assert made_at_import(tree) == [], name


@pytest.mark.parametrize(
    ("code", "found"),
    [
        ("engine = create_engine('sqlite://')", ["create_engine"]),
        ("import x\nx.app = x.FastAPI()", ["FastAPI"]),
        ("class A:\n    settings = Settings()", ["Settings"]),
        ("def f(settings=load_settings()): ...", ["load_settings"]),
        ("if True:\n    sessions = make_sessions(None)", ["make_sessions"]),
        ("def f():\n    return create_engine('')\nclass Settings: ...", []),
        ("f = lambda: create_engine('')", []),
    ],
)
def test_what_is_made_at_import_is_found(code: str, found: list[str]) -> None:
    assert made_at_import(ast.parse(code)) == found


def swallows(handler: ast.ExceptHandler) -> bool:
    """Whether it catches errors of any kind and does more than clean up and raise."""
    kinds = handler.type.elts if isinstance(handler.type, ast.Tuple) else [handler.type]
    broad = any(kind is None or getattr(kind, "id", "") in ("Exception", "BaseException") for kind in kinds)
    return broad and not isinstance(handler.body[-1], ast.Raise)


def test_errors_of_any_kind_are_caught_at_the_edges_only() -> None:
    found = {
        name
        for name, tree in parsed(*PACKAGES)
        if any(isinstance(node, ast.ExceptHandler) and swallows(node) for node in ast.walk(tree))
    }
    assert found == set(EDGES)


def test_only_programs_print() -> None:
    """Everything else is given something to say things with."""
    for name, tree in parsed(*PACKAGES):
        printing = any(
            isinstance(node, ast.Call) and getattr(node.func, "id", "") == "print" for node in ast.walk(tree)
        )
        assert not printing or name.startswith("api/cli/") or name.endswith("/__main__.py"), name


def test_nothing_is_left_for_later_in_a_comment() -> None:
    later = re.compile(
        "|".join(rf"\b{a}{b}\b" for a, b in (("TO", "DO"), ("FIX", "ME"), ("X", "XX"), ("HA", "CK")))
    )
    texts = [
        path for path in [*ROOT.iterdir(), *ROOT.glob("docker/*")] if path.is_file() and not ignored(path)
    ]
    for suffix in (".py", ".md", ".toml", ".html", ".js", ".css", ".sql"):
        texts += [
            path
            for path in (ROOT / name for name in (*PACKAGES, "tests"))
            for path in path.rglob(f"*{suffix}")
        ]
    for path in texts:
        if not ignored(path) and path.name != "requirements.lock":
            assert not later.search(path.read_text(encoding="utf-8")), short(path)


# -- the family of errors -----------------------------------------------------------------------------

EXIT_CODES = {
    "AppError": 1,
    "UsageError": 2,
    "QueryError": 2,
    "TimecodeError": 2,
    "NotFoundError": 1,
    "ConflictError": 1,
    "CardError": 3,
    "UnreadableError": 3,
    "SourceChangedError": 3,
    "VanishedError": 3,
    "DestinationError": 3,
    "DestinationFullError": 3,
    "ReadOnlyError": 3,
    "DestinationGoneError": 3,
    "RefusedFileError": 3,
    "VerifyError": 4,
    "ChecksumMismatchError": 4,
    "MissingCopyError": 4,
    "UnexpectedFileError": 4,
    "ManifestError": 4,
    "MediaError": 1,
    "CatalogueError": 1,
}


def family(of: type[errors.AppError]) -> Iterator[type[errors.AppError]]:
    yield of
    for child in of.__subclasses__():
        if child.__module__ == errors.__name__:
            yield from family(child)


def test_exit_codes_are_these_and_stay_these() -> None:
    """Programs that call the command rely on them: a changed number is a broken promise."""
    assert {one.__name__: one.exit_code for one in family(errors.AppError)} == EXIT_CODES
    codes = (
        errors.EXIT_DONE,
        errors.EXIT_ERROR,
        errors.EXIT_USAGE,
        errors.EXIT_PARTIAL,
        errors.EXIT_INTEGRITY,
    )
    assert codes == (0, 1, 2, 3, 4)


def test_the_tree_in_the_docstring_is_the_tree() -> None:
    parents: dict[str, str] = {}
    above: list[str] = []
    for line in (errors.__doc__ or "").splitlines():
        match = re.match(r"([│├└─ ]*)(\w+Error)\b", line)
        if match:
            depth = len(match[1]) // 4
            above[depth:] = [match[2]]
            parents[match[2]] = above[depth - 1] if depth else "Exception"
    assert parents == {one.__name__: one.__bases__[0].__name__ for one in family(errors.AppError)}


def test_an_error_says_what_with_which_file_and_what_to_do() -> None:
    error = errors.ChecksumMismatchError("A001/C0001.MP4", algorithm="xxh128", expected="aa", found="bb")
    assert str(error).startswith(
        "A001/C0001.MP4: xxh128 differs: expected aa, found bb — The copy was not published."
    )
    assert (error.algorithm, error.expected, error.found) == ("xxh128", "aa", "bb")
    assert str(errors.NotFoundError("there is no reel A009")) == "there is no reel A009"


def test_there_is_no_second_family() -> None:
    """What is raised to people is an AppError; a class beside it only steers its own part of the program."""
    outsiders = {
        f"{name}: {node.name}"
        for name, tree in parsed(*PACKAGES)
        for node in ast.walk(tree)
        if isinstance(node, ast.ClassDef) and any(getattr(base, "id", "") in BUILT_IN for base in node.bases)
    }
    assert outsiders == {"shared/errors.py: AppError", *STEERING}
