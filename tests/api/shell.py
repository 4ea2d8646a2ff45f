"""The command `rushlight` in a home of its own: inside this process, or as one where that is the point."""

from __future__ import annotations

import contextlib
import importlib
import io
import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from api.cli.app import Root
from shared.errors import EXIT_DONE


@dataclass(frozen=True)
class Said:
    stdout: str
    stderr: str


@dataclass(frozen=True)
class Shell:
    """Runs commands inside this process, for speed; it measures only where a test is about that."""

    home: Path
    measure: bool = False

    def run(self, *words: str | Path, expect: int = EXIT_DONE) -> Said:
        """What the command said. It must end with the exit code `expect`."""
        code, said = self._call([str(word) for word in words])
        assert code == expect, said.stdout + said.stderr
        return said

    def json(self, *words: str | Path, expect: int = EXIT_DONE) -> Any:
        """What the command says to programs: all of its standard output."""
        return json.loads(self.run(*words, "--json", expect=expect).stdout)

    def _call(self, words: list[str]) -> tuple[int, Said]:
        out, err = io.StringIO(), io.StringIO()
        main = importlib.import_module("api.cli.main")  # the package's `main` is a function
        roots: list[Root] = []

        def make_root() -> Root:
            roots.append(make())
            return roots[0]

        make = main.make_root
        with pytest.MonkeyPatch.context() as patch:
            for name, value in self._variables().items():
                patch.setenv(name, value)
            patch.setattr(main, "make_root", make_root)
            with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
                code = main.run(words)
        for root in roots:
            root.engine.dispose()  # a process would end here
        return code, Said(out.getvalue(), err.getvalue())

    def _variables(self) -> dict[str, str]:
        return {"RUSHLIGHT_HOME": str(self.home), "RUSHLIGHT_MEASURE": str(self.measure)}


@dataclass(frozen=True)
class Processes(Shell):
    """Runs each command as a process of its own, as a terminal does."""

    def _call(self, words: list[str]) -> tuple[int, Said]:
        result = subprocess.run(
            [sys.executable, "-m", "api.cli", *words],
            env=os.environ | self._variables(),
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        return result.returncode, Said(result.stdout, result.stderr)
