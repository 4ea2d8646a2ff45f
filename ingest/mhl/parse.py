"""Read one manifest as a stream of records, holding it to the schema's meaning and the rules beyond it.

The order of the schema (`hashes`, then `metadata`) and that of the specification's text (the other way
round) are both read; so is a manifest that has references alone, which the text allows (6.4.1).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import get_args

from ingest.mhl.formats import FORMATS, value_problem
from ingest.mhl.ignore import Ignore, pattern_problem
from ingest.mhl.known import Known
from ingest.mhl.model import (
    NAMESPACE,
    Action,
    Author,
    Creator,
    FileHash,
    FileRecord,
    FolderRecord,
    Process,
    Reference,
)
from ingest.mhl.rules import Rule, parse_date, path_problem, shown
from ingest.mhl.safexml import Target

_ACTIONS: Mapping[str, Action] = {name: name for name in get_args(Action)}
_PROCESSES: Mapping[str, Process] = {name: name for name in get_args(Process)}
_FORMATS = frozenset(FORMATS)
_PAIR = frozenset({"content", "structure"})
_SIZE = re.compile(r"\d{1,19}")
_ORDER = {"creatorinfo": 0, "processinfo": 1, "hashes": 2, "metadata": 2, "references": 3}
_REPEATABLE = frozenset({"author", "pattern", "hash", "directoryhash", "hashlistreference"})


@dataclass(frozen=True, slots=True)
class Head:
    """All of a manifest but its records."""

    creator: Creator
    process: Process
    root: FolderRecord | None
    ignore: tuple[str, ...]
    references: tuple[Reference, ...]


class ManifestTarget(Target):
    """Gives each sound record to `on_file` or `on_folder`; `head` is set when the document is complete.

    Every path that has a record is claimed in `known`. `ignored` are the patterns of the earlier
    generations, which hold for this one too.
    """

    _previous: str | None
    root = "hashlist"
    skipped = "metadata"
    grammar: Mapping[str, frozenset[str]] = {
        "hashlist": frozenset(_ORDER),
        "creatorinfo": frozenset({"creationdate", "hostname", "tool", "author", "location", "comment"}),
        "processinfo": frozenset({"process", "roothash", "ignore"}),
        "roothash": _PAIR,
        "ignore": frozenset({"pattern"}),
        "hashes": frozenset({"hash", "directoryhash"}),
        "hash": _FORMATS | {"path", "previousPath", "metadata"},
        "directoryhash": _PAIR | {"path", "previousPath", "metadata"},
        "content": _FORMATS,
        "structure": _FORMATS,
        "references": frozenset({"hashlistreference"}),
        "hashlistreference": frozenset({"path", "c4"}),
    }

    def __init__(
        self,
        file: str,
        *,
        known: Known,
        ignored: Sequence[str] = (),
        on_file: Callable[[FileRecord], None],
        on_folder: Callable[[FolderRecord], None],
    ) -> None:
        super().__init__(file, NAMESPACE)
        self.head: Head | None = None
        self._known = known
        self._on_file, self._on_folder = on_file, on_folder
        self._ignore = Ignore(ignored)
        self._ignored = tuple(ignored)
        self._seen: list[set[str]] = [set()]
        self._attributes: Mapping[str, str] = {}
        self._order = 0
        self._texts: dict[str, str] = {}
        self._created_at: datetime | None = None
        self._tool_version: str | None = None
        self._authors: list[Author] = []
        self._process: Process | None = None
        self._root: FolderRecord | None = None
        self._patterns: list[str] = []
        self._references: list[Reference] = []
        self._start_record()

    # --- elements -------------------------------------------------------------------------------------

    def opened(self, name: str, attributes: Mapping[str, str]) -> None:
        seen = self._seen[-1]
        if name in seen and name not in _REPEATABLE:
            self.stop(Rule.ELEMENT, f"a second {name} in {self.stack[-2]} ({shown(self._path or '')})")
        seen.add(name)
        if name in self.grammar:
            self._seen.append(set())
        if len(self.stack) == 2:
            if _ORDER[name] < self._order:
                self.stop(Rule.ELEMENT, f"{name} is not in its place")
            self._order = _ORDER[name]
        if name == "hashlist" and attributes.get("version") != "2.0":
            self.stop(Rule.ELEMENT, f"version {shown(attributes.get('version', 'missing'))}, not 2.0")
        if name in ("hash", "directoryhash", "roothash", "hashlistreference"):
            self._start_record()
        # The parser's mapping is only good now.
        self._attributes = dict(attributes) if attributes else {}

    def closed(self, name: str, text: str) -> None:
        if name in self.grammar:
            seen = self._seen.pop()
        parent = self.stack[-1] if self.stack else ""
        if name in _FORMATS and parent != "hashlistreference":
            self._close_value(parent, name, text)
        elif name == "path":
            self._close_path(text)
        elif name == "previousPath":
            self._previous = text
            self._check_path(text)
        elif name == "hash":
            self._close_file()
        elif name == "directoryhash":
            self._close_folder()
        elif name == "roothash":
            if self._check_pair("the root folder"):
                self._root = FolderRecord("", self._pair["content"], self._pair["structure"])
        elif name == "hashlistreference":
            self._close_reference()
        elif name == "hashes" and not seen:
            self.report(Rule.ELEMENT, "hashes has no record")
        elif name == "hashlist":
            self._close_list(seen)
        else:
            self._close_head(parent, name, text)

    def _close_head(self, parent: str, name: str, text: str) -> None:
        """The small elements of creatorinfo and processinfo."""
        attributes = self._attributes
        if name == "creationdate":
            self._created_at = self._date(text)
        elif name == "author":
            self._authors.append(
                Author(text, attributes.get("email"), attributes.get("phone"), attributes.get("role"))
            )
        elif name == "tool":
            self._texts[name], self._tool_version = text, attributes.get("version")
        elif name == "process":
            self._process = _PROCESSES.get(text)
            if self._process is None:
                self.report(Rule.ELEMENT, f"{shown(text)} is no process")
        elif name == "pattern":
            self._patterns.append(text)
            if problem := pattern_problem(text):
                self.report(Rule.ELEMENT, problem)
        elif name == "processinfo":
            self._ignore = Ignore([*self._ignored, *self._patterns])
        elif name == "c4":
            self._values.append(FileHash("c4", text))
        elif parent == "creatorinfo":
            self._texts[name] = text

    # --- records --------------------------------------------------------------------------------------

    def _start_record(self) -> None:
        self._path: str | None = None
        self._size: int | None = None
        self._mtime: datetime | None = None
        self._previous: str | None = None
        self._values: list[FileHash] = []
        self._pair: dict[str, dict[str, str]] = {"content": {}, "structure": {}}
        self._bad = False

    def _fault(self, rule: Rule, detail: str) -> None:
        """A problem that costs the record at hand."""
        self._bad = True
        self.report(rule, f"{detail}, at {shown(self._path)}" if self._path else detail)

    def _close_path(self, text: str) -> None:
        # One of the specification's examples ends a folder's path in "/", another doesn't.
        self._path = text.removesuffix("/") if self.stack[-1] == "directoryhash" and text != "/" else text
        self._check_path(self._path)
        size = self._attributes.get("size")
        if size is not None:
            if _SIZE.fullmatch(size.strip()):
                self._size = int(size)
            else:
                self._fault(Rule.ELEMENT, f"{shown(size)} is no size in bytes")
        dates = ("creationdate", "lastmodificationdate")
        moments = {name: self._date(self._attributes[name]) for name in dates if name in self._attributes}
        self._mtime = moments.get("lastmodificationdate")

    def _check_path(self, path: str) -> None:
        if problem := path_problem(path):
            self._fault(Rule.PATH, problem)

    def _close_value(self, parent: str, algorithm: str, text: str) -> None:
        if problem := value_problem(algorithm, text):
            self._fault(Rule.VALUE, shown(problem))
        said = self._attributes.get("action")
        action = _ACTIONS.get(said) if said is not None else None
        if action is None and (said is not None or parent == "hash"):
            self._fault(Rule.ACTION, f"{algorithm} has no action" if said is None else f"{shown(said)}")
        if parent in _PAIR:
            self._pair[parent][algorithm] = text
            return
        hashed_at = self._attributes.get("hashdate")
        date = self._date(hashed_at) if hashed_at is not None else None
        self._values.append(FileHash(algorithm, text, action, date))

    def _date(self, text: str) -> datetime | None:
        moment = parse_date(text)
        if moment is None:
            self._fault(Rule.DATE, f"{shown(text)} is no date and time with a zone")
        return moment

    def _check_record(self, *, folder: bool) -> str | None:
        """The rules for any record. Returns its path when all is well."""
        path = self._path
        if path is None:
            self._fault(Rule.ELEMENT, "a record without a path")
            return None
        if not self._bad:
            if not self._known.claim(path):
                self._fault(Rule.DUPLICATE, "a second record")
            if self._ignore.matches(path, folder=folder):
                self._fault(Rule.IGNORED, "a record for an ignored path")
        return None if self._bad else path

    def _close_file(self) -> None:
        if not self._values and self._path is not None:
            self._fault(Rule.NO_HASH, "a record without a hash")
        path = self._check_record(folder=False)
        if path is not None:
            self._on_file(FileRecord(path, self._size, self._mtime, tuple(self._values), self._previous))

    def _close_folder(self) -> None:
        self._check_pair(self._path or "")
        path = self._check_record(folder=True)
        if path is not None:
            self._on_folder(
                FolderRecord(path, self._pair["content"], self._pair["structure"], self._previous)
            )

    def _check_pair(self, path: str) -> bool:
        content, structure = self._pair["content"], self._pair["structure"]
        if not content or not structure:
            self._fault(Rule.NO_HASH, f"{shown(path)} has no content or no structure hash")
        elif content.keys() != structure.keys():
            self._fault(Rule.DIRECTORY, f"{shown(path)} has other formats for content than for structure")
        return not self._bad

    def _close_reference(self) -> None:
        if self._path is None or not self._values:
            self._fault(Rule.ELEMENT, "a reference without path or c4")
        elif problem := value_problem("c4", self._values[0].value):
            self._fault(Rule.VALUE, shown(problem))
        elif not self._bad:
            self._references.append(Reference(self._path, self._values[0].value))

    # --- the whole ------------------------------------------------------------------------------------

    def _close_list(self, seen: set[str]) -> None:
        missing = [name for name in ("creatorinfo", "processinfo") if name not in seen]
        missing += [name for name in ("hostname", "tool") if name not in self._texts]
        if self._process is None:
            missing.append("process")
        if "hashes" not in seen and not self._references:
            missing.append("hashes")
        if missing or self._created_at is None or self._process is None:
            self.report(Rule.ELEMENT, f"it lacks {', '.join(missing) or 'creationdate'}")
            return
        creator = Creator(
            self._created_at,
            self._texts["hostname"],
            self._texts["tool"],
            self._tool_version,
            tuple(self._authors),
            self._texts.get("location"),
            self._texts.get("comment"),
        )
        self.head = Head(creator, self._process, self._root, tuple(self._patterns), tuple(self._references))
