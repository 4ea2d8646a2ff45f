"""Tokens: who may do what when the service can be reached from the network.

A token is 32 random bytes, shown once when it is made. What is kept, in `tokens.json` of the home folder
with mode 0600, is its SHA-256: with that much entropy a plain hash can't be searched (NIST SP 800-63B,
5.1.2.2, look-up secrets of 112 bits and more). The comparison takes the same time whatever is given.
"""

from __future__ import annotations

import enum
import fcntl
import hashlib
import hmac
import json
import os
import re
import secrets
import stat
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from shared.errors import CatalogueError, ConflictError, NotFoundError, UsageError
from shared.settings import Settings

TOKENS_NAME = "tokens.json"
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,49}", re.ASCII)
_MOST_BYTES = 1 << 20


class Scope(enum.StrEnum):
    """What a token may do. `log` and `offload` include `read`: nobody edits what they can't see."""

    READ = "read"
    LOG = "log"
    OFFLOAD = "offload"


ALL_SCOPES = frozenset(Scope)
# What is asked of the worker. Every other change is one of the log, in the wide sense: what people say.
_WORK_PATHS = ("/api/v1/offloads", "/api/v1/handovers")
# Personal data: whoever may only read the log does not see it.
_PRIVATE_PATHS = ("/api/v1/releases",)
_SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS", "TRACE"})


@dataclass(frozen=True, slots=True)
class Token:
    """One line of the file. `digest`: SHA-256 of the token, 64 hexadecimal digits."""

    name: str
    scopes: frozenset[Scope]
    digest: str


@dataclass(frozen=True, slots=True)
class Caller:
    """Who asks: the name of the token, with what it may do."""

    name: str
    scopes: frozenset[Scope]


THIS_MACHINE = Caller("api", ALL_SCOPES)  # on loopback nobody is asked


def scope_needed(method: str, path: str) -> Scope:
    """What a request needs. A route that nobody thought of here needs `log`, and never only `read`."""
    if method in _SAFE_METHODS:
        return Scope.LOG if _is_below(path, _PRIVATE_PATHS) else Scope.READ
    return Scope.OFFLOAD if _is_below(path, _WORK_PATHS) else Scope.LOG


def _is_below(path: str, roots: tuple[str, ...]) -> bool:
    return any(path == one or path.startswith(f"{one}/") for one in roots)


def read_tokens(home: Path) -> tuple[Token, ...]:
    """The tokens of a home folder; none: there is no file.

    Raises UsageError when the file is not what this program writes, or others may read it.
    """
    path = home / TOKENS_NAME
    try:
        with path.open("rb") as file:
            found = os.fstat(file.fileno())
            if stat.S_IMODE(found.st_mode) & 0o077:
                raise UsageError(
                    "others on this machine may read or change the tokens",
                    path=str(path),
                    remedy=f"Run `chmod 600 {TOKENS_NAME}` there, and make new tokens if in doubt.",
                )
            data = file.read(_MOST_BYTES)
    except FileNotFoundError:
        return ()
    except OSError as error:
        raise UsageError(
            f"can't be read: {error.strerror}", path=str(path), remedy="Give yourself the right to read it."
        ) from error
    return _parse(data, path)


def _parse(data: bytes, path: Path) -> tuple[Token, ...]:
    try:
        rows = json.loads(data)["tokens"]
        tokens = tuple(_token_of(row) for row in rows)
    except (ValueError, TypeError, KeyError) as error:
        raise UsageError(
            "this is no list of tokens", path=str(path), remedy="Move it away and make the tokens anew."
        ) from error
    return tokens


def _token_of(row: Mapping[str, Any]) -> Token:
    digest = row["sha256"]
    if not isinstance(digest, str) or not re.fullmatch(r"[0-9a-f]{64}", digest):
        raise ValueError("no digest")
    return Token(str(row["name"]), frozenset(map(Scope, row["scopes"])), digest)


def make_token(home: Path, name: str, scopes: Iterable[Scope]) -> str:
    """Make a token and return it: this is the one time that it is seen.

    Raises UsageError for a name that is none or without a scope, ConflictError for a name that is taken.
    """
    if not _NAME.fullmatch(name):
        raise UsageError(
            f"{name!r} is no name for a token",
            remedy="Use up to 50 letters, digits, dots, dashes and underscores: laptop, tablet-2.",
        )
    given = frozenset(scopes)
    if not given:
        raise UsageError(
            "the token needs a scope", remedy=f"Give --scope {', '.join(Scope)}; more than one may be given."
        )
    secret = secrets.token_urlsafe(32)
    with _changing(home) as tokens:
        if any(token.name == name for token in tokens):
            raise ConflictError(
                f"there is a token {name} already",
                remedy=f"Choose another name, or take that one back: rushlight token {name} --revoke.",
            )
        _write(home, [*tokens, Token(name, given | {Scope.READ}, _digest(secret.encode()))])
    return secret


def revoke_token(home: Path, name: str) -> None:
    """Take a token back; a running service notices at once. Raises NotFoundError."""
    with _changing(home) as tokens:
        left = [token for token in tokens if token.name != name]
        if len(left) == len(tokens):
            names = ", ".join(token.name for token in tokens)
            raise NotFoundError(
                f"there is no token {name}", remedy=f"There is: {names}." if names else "There is none."
            )
        _write(home, left)


@contextmanager
def _changing(home: Path) -> Iterator[tuple[Token, ...]]:
    """The tokens as they stand, while nobody else may change them."""
    try:
        home.mkdir(parents=True, exist_ok=True)
        folder = os.open(home, os.O_RDONLY | os.O_DIRECTORY)
    except OSError as error:
        raise UsageError(
            f"can't be used: {error.strerror}", path=str(home), remedy="Set RUSHLIGHT_HOME to another folder."
        ) from error
    try:
        fcntl.flock(folder, fcntl.LOCK_EX)
        yield read_tokens(home)
    finally:
        os.close(folder)  # which gives the lock back


def _write(home: Path, tokens: Iterable[Token]) -> None:
    """Old or new, never half of it; and never readable by others, not even for a moment."""
    rows = [{"name": token.name, "scopes": sorted(token.scopes), "sha256": token.digest} for token in tokens]
    beside = home / f"{TOKENS_NAME}.partial"
    beside.unlink(missing_ok=True)
    try:
        handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            json.dump({"tokens": rows}, file, indent=2)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(home / TOKENS_NAME)
    except OSError as error:
        raise UsageError(
            f"can't be written: {error.strerror}",
            path=str(home / TOKENS_NAME),
            remedy="Make room, or give yourself the right to write there.",
        ) from error


def _digest(secret: bytes) -> str:
    return hashlib.sha256(secret).hexdigest()


class Keys:
    """The tokens that are let in now: those of the file, and the one of the settings, which may do all.

    The file is looked at with every request and read again when it is another one: a token that was taken
    back is refused from then on.
    """

    def __init__(self, settings: Settings) -> None:
        self._home = settings.home
        given = settings.token.strip()
        self._given = (Token("settings", ALL_SCOPES, _digest(given.encode())),) if given else ()
        self._seen: object = ()
        self._read: tuple[Token, ...] = ()

    def tokens(self) -> tuple[Token, ...]:
        """Raises UsageError for a file that can't be trusted."""
        try:
            found = (self._home / TOKENS_NAME).stat()
            now: object = (found.st_ino, found.st_mtime_ns, found.st_size, found.st_mode)
        except OSError:
            now = None
        if now != self._seen:
            self._read, self._seen = (), ()  # nobody is let in by what could not be read again
            self._read = read_tokens(self._home)
            self._seen = now
        return (*self._given, *self._read)

    def find(self, secret: bytes) -> Caller | None:
        """Who sends this. Raises CatalogueError while the file can't be read: nobody is let in then."""
        try:
            tokens = self.tokens()
        except UsageError as error:
            raise CatalogueError(
                "the tokens can't be read at this moment", remedy="See the service's log."
            ) from error
        digest, found = _digest(secret), None
        for token in tokens:  # every one is compared, so that the time says nothing of the place
            if hmac.compare_digest(digest, token.digest):
                found = Caller(token.name, token.scopes)
        return found
