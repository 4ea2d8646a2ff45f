"""Every error the program raises on purpose, as one family.

AppError
├── UsageError            the person asked for something that can't be done as asked
│   ├── QueryError        a query that can't be read; `column` points at the place
│   └── TimecodeError     text or numbers that are no timecode at this rate
├── NotFoundError         a named thing does not exist
├── ConflictError         the thing exists already, changed meanwhile, or names collide
├── CardError             one file of a card; the run goes on
│   ├── UnreadableError
│   ├── SourceChangedError
│   └── VanishedError
├── DestinationError      one destination; it stops, the others go on
│   ├── DestinationFullError
│   ├── ReadOnlyError
│   ├── DestinationGoneError
│   └── RefusedFileError      one file this drive can't hold; the drive goes on
├── VerifyError           a copy that is not what was read
│   ├── ChecksumMismatchError
│   ├── MissingCopyError
│   └── UnexpectedFileError
├── ManifestError         a hash list that can't be trusted or read
├── MediaError            a media file no parser could read
└── CatalogueError        the database: unknown schema, locked, unreadable

An error carries what a person needs: what went wrong, with which file, and the remedy.
Exit codes stand on the class; HTTP statuses live in `api/errors.py` alone.
"""

from __future__ import annotations

from typing import ClassVar

EXIT_DONE = 0
EXIT_ERROR = 1
EXIT_USAGE = 2
EXIT_PARTIAL = 3
EXIT_INTEGRITY = 4


class AppError(Exception):
    """Base of all intended errors. `message` says what, `remedy` says what to do about it."""

    exit_code: ClassVar[int] = EXIT_ERROR

    def __init__(self, message: str, *, path: str | None = None, remedy: str | None = None) -> None:
        super().__init__(message)
        self.message = message
        self.path = path
        self.remedy = remedy

    def __str__(self) -> str:
        parts = [self.message if self.path is None else f"{self.path}: {self.message}"]
        if self.remedy:
            parts.append(self.remedy)
        return " — ".join(parts)


class UsageError(AppError):
    exit_code = EXIT_USAGE


class QueryError(UsageError):
    """A query that can't be read. `column` counts from 0, in characters of `query`."""

    def __init__(self, message: str, *, query: str, column: int, remedy: str | None = None) -> None:
        super().__init__(message, remedy=remedy)
        self.query = query
        self.column = column


class TimecodeError(UsageError):
    pass


class NotFoundError(AppError):
    pass


class ConflictError(AppError):
    pass


class CardError(AppError):
    """One file of the card: the run goes on and accounts for it by name."""

    exit_code = EXIT_PARTIAL


class UnreadableError(CardError):
    pass


class SourceChangedError(CardError):
    pass


class VanishedError(CardError):
    pass


class DestinationError(AppError):
    """One destination: it stops here, the other destinations go on. Never retried in the same run."""

    exit_code = EXIT_PARTIAL


class DestinationFullError(DestinationError):
    pass


class ReadOnlyError(DestinationError):
    pass


class DestinationGoneError(DestinationError):
    pass


class RefusedFileError(DestinationError):
    """One file that this drive can't hold (its size, its name). The destination goes on."""


class VerifyError(AppError):
    exit_code = EXIT_INTEGRITY


class ChecksumMismatchError(VerifyError):
    """The bytes re-read from the medium are not the bytes read from the card.

    `standing`: the file has its final name since an earlier run, and keeps it.
    """

    def __init__(
        self, path: str, *, algorithm: str, expected: str, found: str, standing: bool = False
    ) -> None:
        remedy = (
            "It was left as it is. `rushlight check --repair` puts a good copy in its place and keeps this "
            "one aside."
            if standing
            else "The copy was not published. Run the offload again; if it differs again, suspect the drive, "
            "its cable or its port."
        )
        super().__init__(f"{algorithm} differs: expected {expected}, found {found}", path=path, remedy=remedy)
        self.algorithm = algorithm
        self.expected = expected
        self.found = found


class MissingCopyError(VerifyError):
    pass


class UnexpectedFileError(VerifyError):
    pass


class ManifestError(AppError):
    exit_code = EXIT_INTEGRITY


class MediaError(AppError):
    pass


class CatalogueError(AppError):
    pass
