"""Write one manifest as a stream, in the order of the schema, in the memory of one record."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from typing import Any

from lxml import etree

from ingest.mhl.formats import FORMATS, in_schema_order, text_of, value_problem
from ingest.mhl.ignore import Ignore, pattern_problem
from ingest.mhl.known import Known
from ingest.mhl.model import (
    NAMESPACE,
    Creator,
    FileRecord,
    FolderRecord,
    Process,
    Reference,
)
from ingest.mhl.publish import SUFFIX, PartialFile
from ingest.mhl.rules import Rule, format_date, shown, why_unrecordable
from shared.errors import ManifestError, UsageError
from shared.names import xml_safe

_EMAIL = re.compile(r"[^@]+@[^.]+\..+")  # the schema's own pattern
_LONGEST_NAME = 255  # bytes; the common limit of file systems
_UNFIT = re.compile(r'[<>:"\\|?*/\x00-\x1f\x7f]')


def manifest_name(number: int, folder: str, started_at: datetime) -> str:
    """`NNNN_<folder>_YYYY-MM-DD_HHMMSSZ.mhl` (6.3), `started_at` being the start of the operation.

    Where a folder's name can't be part of a file name or of XML, its characters become "_"; where it
    would make the name too long, its end is left off.
    """
    stamp = started_at.astimezone(UTC).strftime("%Y-%m-%d_%H%M%SZ")
    safe = "".join(c if xml_safe(c.encode("utf-8", "surrogatepass")) is not None else "_" for c in folder)
    safe = _UNFIT.sub("_", safe) or "root"
    room = _LONGEST_NAME - len(f"{number:04d}__{stamp}.mhl{SUFFIX}")
    safe = safe.encode()[:room].decode(errors="ignore")
    return f"{number:04d}_{safe}_{stamp}.mhl"


class ManifestWriter:
    """Writes records as they come. `root_algorithm`: room is kept for the root folder's hashes, which
    stand before the records that they are computed from. Paths are claimed in `known`.

    Raises ManifestError for a record that no manifest may hold, UsageError for a head that none may.
    """

    def __init__(
        self,
        out: PartialFile,
        creator: Creator,
        process: Process,
        ignore: Ignore,
        known: Known,
        *,
        root_algorithm: str | None,
    ) -> None:
        self._known = known
        self._out = out
        self._ignore = ignore
        self._root_places: dict[str, int] = {}
        self._stack = ExitStack()
        self._list = ExitStack()
        _check_head(creator, ignore)
        try:
            self._open(creator, process, root_algorithm)
        except BaseException:
            self.abandon()
            raise

    def _open(self, creator: Creator, process: Process, root_algorithm: str | None) -> None:
        xml = self._stack.enter_context(etree.xmlfile(self._out, encoding="UTF-8"))
        self._xml: Any = xml
        xml.write_declaration()
        self._stack.enter_context(xml.element(_tag("hashlist"), nsmap={None: NAMESPACE}, version="2.0"))
        xml.write("\n")
        self._write_creator(creator)
        with self._line("processinfo"):
            self._leaf("process", process)
            if root_algorithm is not None:
                with self._element("roothash"):
                    for half in ("content", "structure"):
                        with self._element(half):
                            self._hold_place(half, root_algorithm)
            with self._element("ignore"):
                for pattern in self._ignore.patterns:
                    self._leaf("pattern", pattern)
        xml.flush()
        self._out.end_front()
        self._list.enter_context(self._element("hashes"))
        xml.write("\n")

    def _write_creator(self, creator: Creator) -> None:
        with self._line("creatorinfo"):
            self._leaf("creationdate", format_date(creator.created_at))
            self._leaf("hostname", creator.hostname)
            self._leaf("tool", creator.tool, version=creator.tool_version)
            for author in creator.authors:
                self._leaf("author", author.name, email=author.email, phone=author.phone, role=author.role)
            if creator.location is not None:
                self._leaf("location", creator.location)
            if creator.comment is not None:
                self._leaf("comment", creator.comment)

    # --- records --------------------------------------------------------------------------------------

    def add_file(self, record: FileRecord) -> None:
        """Write the record of a file; every hash has its action."""
        self._claim(record.path, folder=False)
        hashes = {found.algorithm: found for found in record.hashes}
        if not hashes:
            raise _refusal(record.path, Rule.NO_HASH, "it has no hash")
        if len(hashes) != len(record.hashes):
            raise _refusal(record.path, Rule.ELEMENT, "it has two hashes of one format")
        for found in record.hashes:
            self._check_value(record.path, found.algorithm, found.value)
        with self._line("hash"):
            modified = None if record.mtime is None else format_date(record.mtime)
            size = None if record.size is None else str(record.size)
            self._leaf("path", record.path, size=size, lastmodificationdate=modified)
            for algorithm in in_schema_order(list(hashes)):
                found = hashes[algorithm]
                if found.action is None:
                    raise _refusal(record.path, Rule.ACTION, "its hash has no action")
                date = None if found.hash_date is None else format_date(found.hash_date)
                self._leaf(algorithm, found.value, action=found.action, hashdate=date)
            self._write_previous(record.path, record.previous_path)

    def add_folder(self, record: FolderRecord) -> None:
        self._claim(record.path, folder=True)
        with self._line("directoryhash"):
            self._leaf("path", record.path)
            for half, values in (("content", record.content), ("structure", record.structure)):
                with self._element(half):
                    for algorithm in in_schema_order(list(values)):
                        self._check_value(record.path, algorithm, values[algorithm])
                        self._leaf(algorithm, values[algorithm])
            self._write_previous(record.path, record.previous_path)

    def close(self, root: FolderRecord | None, references: Sequence[Reference]) -> None:
        """Write what comes after the records and fill in the root folder's hashes."""
        self._list.close()
        if references:
            self._xml.write("\n")
            with self._line("references"):
                for reference in references:
                    with self._line("hashlistreference"):
                        self._leaf("path", reference.path)
                        self._leaf("c4", reference.c4)
        self._stack.close()
        if root is not None:
            for half, values in (("content", root.content), ("structure", root.structure)):
                (value,) = values.values()
                self._out.fill_in(self._root_places[half], value.encode())

    def abandon(self) -> None:
        """Let go of the stream; what has been written is worth nothing."""
        for stack in (self._list, self._stack):
            try:
                stack.close()
            except (OSError, ManifestError, etree.LxmlError):
                continue  # the error that led here is the one to be told

    def _claim(self, path: str, *, folder: bool) -> None:
        """Hold a record's path to the rules that the schema does not know."""
        if problem := why_unrecordable(path):
            raise _refusal(path, Rule.PATH, problem)
        if not self._known.claim(path):
            raise _refusal(path, Rule.DUPLICATE, "it would have two records")
        if self._ignore.matches(path, folder=folder):
            raise _refusal(path, Rule.IGNORED, "the ignore list of this history names it")

    def _write_previous(self, path: str, previous: str | None) -> None:
        if previous is None:
            return
        if problem := why_unrecordable(previous):
            raise _refusal(path, Rule.PATH, f"its previous path: {problem}")
        self._leaf("previousPath", previous)

    def _check_value(self, path: str, algorithm: str, value: str) -> None:
        if problem := value_problem(algorithm, value):
            raise _refusal(path, Rule.VALUE, problem)

    # --- XML ------------------------------------------------------------------------------------------

    @contextmanager
    def _element(self, name: str) -> Iterator[None]:
        with self._xml.element(_tag(name)):
            yield

    @contextmanager
    def _line(self, name: str) -> Iterator[None]:
        """An element on a line of its own, so that people can read and compare manifests."""
        with self._xml.element(_tag(name)):
            yield
        self._xml.write("\n")

    def _leaf(self, name: str, text: str, **attributes: str | None) -> None:
        present: Mapping[str, str] = {key: value for key, value in attributes.items() if value is not None}
        with self._xml.element(_tag(name), present):
            self._xml.write(text)

    def _hold_place(self, half: str, algorithm: str) -> None:
        zeros = text_of(algorithm, bytes(FORMATS[algorithm].octets))
        with self._xml.element(_tag(algorithm)):
            self._xml.flush()
            self._root_places[half] = self._out.length
            self._xml.write(zeros)


def _tag(name: str) -> str:
    return f"{{{NAMESPACE}}}{name}"


def _check_head(creator: Creator, ignore: Ignore) -> None:
    """Refuse what XML or the schema can't carry before anything is written."""
    texts = [creator.hostname, creator.tool, creator.tool_version, creator.location]
    for author in creator.authors:
        texts += [author.name, author.email, author.phone, author.role]
        if author.email is not None and not _EMAIL.fullmatch(author.email):
            raise UsageError(f"{author.email} is no e-mail address", remedy="Correct it in the settings.")
    texts += (creator.comment or "").replace("\t", " ").split("\n")  # a comment may have lines
    for pattern in ignore.patterns:
        texts.append(pattern)
        if problem := pattern_problem(pattern):
            raise UsageError(f"{shown(pattern)}: {problem}", remedy="Give one pattern for each line.")
    for text in texts:
        if text is not None and xml_safe(text.encode("utf-8", "surrogatepass")) is None:
            raise UsageError(
                f"a hash list can't hold this text: {shown(text)}", remedy="Take out its control characters."
            )


def _refusal(path: str, rule: Rule, detail: str) -> ManifestError:
    return ManifestError(
        f"it can't be recorded in a hash list: {detail} (rule: {rule})",
        path=shown(path),
        remedy="The manifest was not written. Leave this file out of it, or give it another name.",
    )
