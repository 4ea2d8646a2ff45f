"""ASC MHL hash lists: the history of a folder's files, written beside them and read again years later.

`append_generation` writes, `read_history` reads and checks, `check_history` tells all that is wrong.
"""

from ingest.mhl.append import append_generation
from ingest.mhl.ignore import Ignore
from ingest.mhl.model import (
    Author,
    Creator,
    FileHash,
    FileRecord,
    FolderRecord,
    Generation,
    History,
    Reference,
    utc_from_ns,
)
from ingest.mhl.read import check_history, read_history, read_manifest
from ingest.mhl.rules import Problem, Rule, why_unrecordable
from ingest.mhl.scope import find_scopes

__all__ = [
    "Author",
    "Creator",
    "FileHash",
    "FileRecord",
    "FolderRecord",
    "Generation",
    "History",
    "Ignore",
    "Problem",
    "Reference",
    "Rule",
    "append_generation",
    "check_history",
    "find_scopes",
    "read_history",
    "read_manifest",
    "utc_from_ns",
    "why_unrecordable",
]
