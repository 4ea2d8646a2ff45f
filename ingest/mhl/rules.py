"""The rules of the specification that its XML schema does not check, and how a breach is reported.

Numbers in brackets are sections of the ASC MHL specification v1.0; "G" its implementation guidelines.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum

from shared.errors import ManifestError
from shared.names import display, xml_safe

MAX_PATH = 8192  # characters; no file system this program meets takes a longer one
MAX_PARTS = 256  # a path in more layers than this is an attack or a damaged drive
_DRIVE = re.compile(r"[A-Za-z]:[/\\]")
_NO_DETOUR = frozenset({"", "."})
_DATE_TIME = re.compile(
    r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d{1,12})?(Z|[+-]\d{2}:\d{2})"
)  # XML Schema part 2, dateTime, with the zone it leaves optional
_NAME = re.compile(r"(\d{4,})_.*_\d{4}-\d{2}-\d{2}_\d{6}Z?\.mhl", re.DOTALL)

REMEDY = (
    "Don't rely on this history. Get the folder again from another copy; or, if you know why it differs, "
    "move its ascmhl folder aside and start a new history."
)


class Rule(StrEnum):
    """Which rule is broken. The value is for people."""

    UNREADABLE = "the file can be read"
    XML = "well-formed XML in UTF-8"
    DTD = "no document type, no entities"
    LIMIT = "size, depth and text within this program's limits"
    ELEMENT = "elements of the schema, each in its place [appendix A]"
    PATH = "paths are relative, direct and without '..' [6.4.8]"
    DUPLICATE = "one record for a path [6.4.9]"
    IGNORED = "no record for an ignored path [6.4.7]"
    NO_HASH = "a record has a hash [6.4]"
    VALUE = "hash values as their format has them [appendix D]"
    ACTION = "a file's hash is original, verified or failed [6.5.1]"
    DATE = "date and time with a zone"
    DIRECTORY = "content and structure have the same formats [6.5.2]"
    SEQUENCE = "the chain counts 1, 2, 3 without gaps [7]"
    C4 = "the file is the one whose C4 was written down [7]"
    MISSING = "every manifest of the chain is there [7]"
    CHAIN = "a chain lists the manifests [7]"
    # What follows takes nothing from the truth of a history: it is told, and the history is used.
    UNLISTED = "every manifest is in the chain [7]"
    NAME = "manifest names are NNNN_folder_YYYY-MM-DD_HHMMSSZ.mhl [6.3]"
    SHRUNK = "the ignore list only grows [G 2.4]"
    CONTRADICTION = "a hash that differs from the earlier one has failed [5.2]"
    RENAME = "a rename starts from a path that the history knows [5.6.5]"
    REFERENCE = "the inner manifest pointed to is there [5.3.2]"


_TOLD = frozenset(
    {Rule.UNLISTED, Rule.NAME, Rule.SHRUNK, Rule.CONTRADICTION, Rule.RENAME, Rule.REFERENCE}
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Problem:
    """A broken rule, in which file (relative to the scope), and the detail that a person needs."""

    rule: Rule
    file: str
    detail: str

    @property
    def fatal(self) -> bool:
        """Whether the history can't be relied on."""
        return self.rule not in _TOLD

    def __str__(self) -> str:
        return f"{self.file}: {self.detail} (rule: {self.rule})"


def as_error(shown_root: str, problems: list[Problem]) -> ManifestError:
    """The error for a history with these fatal problems; it names the file and rule of the first."""
    first, others = problems[0], len(problems) - 1
    more = f"; and {others} more" if others else ""
    return ManifestError(
        f"{first.detail} (rule: {first.rule}){more}", path=f"{shown_root}/{first.file}", remedy=REMEDY
    )


def path_problem(path: str) -> str | None:
    """Why this can't be the path of a record, or None [6.4.8].

    A backslash is an ordinary character of a name here, unless the path would then leave the scope on a
    system that takes it for "/".
    """
    if not path:
        return "an empty path"
    if len(path) > MAX_PATH or path.count("/") >= MAX_PARTS:
        return f"a path of {len(path)} characters in {path.count('/') + 1} layers"
    if path[0] in "/\\" or _DRIVE.match(path):
        return f"{shown(path)} is absolute"
    if ".." in path and ".." in path.replace("\\", "/").split("/"):
        return f"{shown(path)} has '..' in it"
    if not _NO_DETOUR.isdisjoint(path.split("/")):
        return f"{shown(path)} is not the most direct form"
    return None


def why_unrecordable(path: str) -> str | None:
    """Why no hash list can hold this file name, or None: for a caller that has to leave it out and say so.

    `path` as `os.fsdecode` gives it.
    """
    # Whatever is printable is legal in XML as well, and asked for much faster.
    if not path.isprintable() and xml_safe(os.fsencode(path)) is None:
        return "XML can't carry a character of the name"
    return path_problem(path)


def parse_date(text: str) -> datetime | None:
    """An XML Schema dateTime with a zone as UTC, or None."""
    if not _DATE_TIME.fullmatch(text):
        return None
    try:
        return datetime.fromisoformat(text).astimezone(UTC)
    except (ValueError, OverflowError):
        return None


def format_date(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat().replace("+00:00", "Z")


def number_in_name(name: str) -> int | None:
    """The sequence number that a manifest's name begins with, or None for another kind of name [6.3]."""
    match = _NAME.fullmatch(name)
    return int(match[1]) if match else None


def shown(path: str) -> str:
    """A path from a hash list for people: one line, not endless."""
    text = display(path.encode("utf-8", "surrogatepass"))
    return text if len(text) <= 200 else f"{text[:200]}…"
