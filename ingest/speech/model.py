"""The folder of a speech model: which of its files is what, told by what is in it.

A model has three parts, as the recogniser's own documentation names them: an acoustic model (a folder with
`mdef` and `feat.params`), a language model (`*.lm.bin`, `*.lm`, `*.dmp`, `*.arpa`) and a pronunciation
dictionary (`*.dict`, `*.dic`). They may lie side by side or in folders below.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from shared.errors import UsageError
from shared.names import display

_LANGUAGE = (".lm.bin", ".lm", ".lm.dmp", ".arpa")
_WORDS = (".dict", ".dic")
_PHONES = "phone"  # a model of sounds instead of words, which commonly lies beside the other
_REMEDY = "Give the folder that holds an acoustic model, a language model and a dictionary."
_DEEPEST = 3
_MOST_FILES = 1000  # a folder of more is no model, but somebody's drive
_PIECE = 1 << 20


@dataclass(frozen=True, slots=True)
class SpeechModel:
    """Absolute paths of the three parts. `fingerprint`: SHA-256 over their contents."""

    acoustic: Path
    language: Path
    words: Path
    fingerprint: str


def find_model(folder: Path) -> SpeechModel:
    """The model in a folder. Raises UsageError where there is none, or more than one of a part."""
    folder = folder.absolute()
    if not folder.is_dir():
        raise UsageError("there is no such folder for a speech model", path=_shown(folder), remedy=_REMEDY)
    files = sorted(_files_below(folder))
    acoustic = _one(folder, "acoustic model", (file.parent for file in files if file.name == "mdef"))
    language = _one(folder, "language model", _without_phones(_ending(files, _LANGUAGE)))
    words = _one(folder, "dictionary", _ending(files, _WORDS))
    return SpeechModel(acoustic, language, words, _fingerprint(acoustic, language, words))


def _files_below(folder: Path) -> list[Path]:
    found: list[Path] = []
    for top, folders, names in os.walk(folder):
        if len(Path(top).relative_to(folder).parts) >= _DEEPEST:
            folders.clear()
        found += [Path(top, name) for name in names]
        if len(found) > _MOST_FILES:
            raise UsageError("too many files for a speech model", path=_shown(folder), remedy=_REMEDY)
    return found


def _ending(files: Iterable[Path], endings: tuple[str, ...]) -> list[Path]:
    return [file for file in files if file.name.lower().endswith(endings)]


def _without_phones(files: list[Path]) -> list[Path]:
    return [file for file in files if _PHONES not in file.name.lower()] or files


def _one(folder: Path, what: str, found: Iterable[Path]) -> Path:
    parts = list(dict.fromkeys(found))
    if not parts:
        raise UsageError(f"no {what} of a speech model in it", path=_shown(folder), remedy=_REMEDY)
    if len(parts) > 1:
        names = ", ".join(_shown(part.relative_to(folder)) for part in parts[:4])
        raise UsageError(
            f"more than one {what} in it: {names}",
            path=_shown(folder),
            remedy="Keep one model to a folder.",
        )
    return parts[0]


def _fingerprint(acoustic: Path, *files: Path) -> str:
    digest = hashlib.sha256()
    for path in (*sorted(path for path in acoustic.iterdir() if path.is_file()), *files):
        digest.update(f"{path.name}\0{path.stat().st_size}\0".encode("utf-8", "surrogateescape"))
        with path.open("rb") as file:
            while piece := file.read(_PIECE):
                digest.update(piece)
    return digest.hexdigest()


def _shown(path: Path) -> str:
    return display(os.fsencode(path))
