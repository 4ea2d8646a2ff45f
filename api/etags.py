"""Entity tags and the conditions made with them (RFC 9110, 8.8.3 and 13.1)."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from typing import Annotated

from fastapi import Header

from api.errors import PreconditionFailedError, PreconditionRequiredError
from api.schemas.base import Shape

_TAG = re.compile(r'(W/)?("[^"]*")')

IfMatch = Annotated[
    str | None,
    Header(description="The ETag of the version that was edited, or * to write over whatever there is."),
]
IfNoneMatch = Annotated[str | None, Header(description="ETags of versions that are already there.")]


def version_tag(version: int) -> str:
    return f'"{version}"'


def content_tag(*parts: object) -> str:
    """A tag of what a thing consists of, for things that count no versions."""
    return f'"{hashlib.blake2s(repr(parts).encode(), digest_size=9).hexdigest()}"'


def check_if_match(if_match: str | None, current: str, standing: Callable[[], Shape]) -> None:
    """Raises PreconditionRequiredError without a condition, PreconditionFailedError if it does not hold.

    `current` is the tag of what stands there, and `standing` makes the thing itself, for the error to carry.
    The comparison is strong (13.1.1): a weak tag never matches.
    """
    if if_match is None:
        raise PreconditionRequiredError(
            "an edit must say which version it edits",
            remedy="Read it first and send its ETag as If-Match; so nobody's work is written over unseen.",
        )
    if if_match.strip() == "*":
        return
    if current not in [tag for weak, tag in _TAG.findall(if_match) if not weak]:
        raise PreconditionFailedError(
            "somebody else changed this meanwhile",
            remedy="Look at what stands there now, and repeat the edit on that with its ETag.",
            current=standing().model_dump(mode="json", by_alias=True),
            tag=current,
        )


def is_known(if_none_match: str | None, current: str) -> bool:
    """Whether the caller has this version already (13.1.2): the comparison is weak."""
    if if_none_match is None:
        return False
    return if_none_match.strip() == "*" or current in [tag for _, tag in _TAG.findall(if_none_match)]
