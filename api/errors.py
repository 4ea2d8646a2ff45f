"""Errors as HTTP: the one table of statuses, and problem details (RFC 9457) as the one shape.

RequestError              a request refused before anybody looked at what it asks
├── UnauthorizedError         no token, or not the right one
├── InsufficientScopeError    a token that may not do this
├── TooManyCallsError         more calls than one caller may make
├── ForeignOriginError        a page of another site tries to change something
├── MisdirectedError          the Host is not this service
├── BadHostError              no Host, or none that can be read
├── BodyTooLargeError
├── SlowBodyError             a body that does not come to its end
├── RangeError                a part that the file does not have
├── NotJsonError              a body that is not declared as JSON
├── InvalidRequestError       a parameter or a body that does not fit; `errors` names each place
│   └── MalformedJsonError
├── PreconditionRequiredError an edit without If-Match
└── PreconditionFailedError   somebody else changed it meanwhile
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from http import HTTPStatus
from pathlib import PurePath
from typing import Any

from fastapi.exceptions import RequestValidationError
from sqlalchemy.exc import IntegrityError, OperationalError
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse

from api.schemas.base import shown_json
from shared import errors as app
from shared.catalogue.log_files import FaultyFileError
from shared.errors import AppError, CatalogueError, ConflictError, QueryError

PROBLEM_TYPE = "application/problem+json"


class RequestError(AppError):
    """`headers`: what the answer says beside its body."""

    headers: tuple[tuple[str, str], ...] = ()


class UnauthorizedError(RequestError):
    # RFC 9110, 11.6.1: one challenge a scheme. Basic is what lets a browser ask for the token by itself.
    headers = (
        ("WWW-Authenticate", 'Bearer realm="rushlight"'),
        ("WWW-Authenticate", 'Basic realm="rushlight", charset="UTF-8"'),
    )


class InsufficientScopeError(RequestError):
    """RFC 6750, 3.1: the answer names the scope that would do."""

    def __init__(self, message: str, *, scope: str, remedy: str | None = None) -> None:
        super().__init__(message, remedy=remedy)
        challenge = f'Bearer realm="rushlight", error="insufficient_scope", scope="{scope}"'
        self.headers = (("WWW-Authenticate", challenge),)


class TooManyCallsError(RequestError):
    """`seconds`: after which the next call is taken (RFC 6585, 4)."""

    def __init__(self, message: str, *, seconds: int) -> None:
        super().__init__(message, remedy=f"Try again in {seconds} s.")
        self.headers = (("Retry-After", str(seconds)),)


class ForeignOriginError(RequestError):
    pass


class MisdirectedError(RequestError):
    pass


class BadHostError(RequestError):
    pass


class BodyTooLargeError(RequestError):
    pass


class SlowBodyError(RequestError):
    pass


class RangeError(RequestError):
    """`size`: of the whole file, in bytes (RFC 9110, 15.5.17)."""

    def __init__(self, message: str, *, size: int, remedy: str | None = None) -> None:
        super().__init__(message, remedy=remedy)
        self.headers = (("Content-Range", f"bytes */{size}"),)


class NotJsonError(RequestError):
    # RFC 9110, 15.5.16: what would have been accepted.
    headers = (("Accept", "application/json, application/merge-patch+json"),)


class InvalidRequestError(RequestError):
    """`errors`: for each fault the place (a parameter's name or a JSON pointer) and what is wrong there."""

    def __init__(self, message: str, *, remedy: str | None = None, errors: Sequence[Mapping[str, str]] = ()):
        super().__init__(message, remedy=remedy)
        self.errors = errors


class MalformedJsonError(InvalidRequestError):
    pass


class PreconditionRequiredError(RequestError):
    pass


class PreconditionFailedError(RequestError):
    """`current`: what stands there now, so that nobody has to ask for it; `tag`: its ETag."""

    def __init__(
        self, message: str, *, remedy: str | None = None, current: Any = None, tag: str | None = None
    ) -> None:
        super().__init__(message, remedy=remedy)
        self.current = current
        if tag is not None:
            self.headers = (("ETag", tag),)


# Every class of the family stands here by name, with what such a problem is; a class without a row would be
# a status that nobody chose.
PROBLEMS: dict[type[AppError], tuple[HTTPStatus, str]] = {
    app.AppError: (HTTPStatus.INTERNAL_SERVER_ERROR, "the service could not do this"),
    app.UsageError: (HTTPStatus.UNPROCESSABLE_ENTITY, "this can't be done as asked"),
    app.QueryError: (HTTPStatus.UNPROCESSABLE_ENTITY, "the query can't be read"),
    FaultyFileError: (HTTPStatus.UNPROCESSABLE_ENTITY, "the file has faults"),
    app.TimecodeError: (HTTPStatus.UNPROCESSABLE_ENTITY, "no timecode or rate of this kind"),
    app.NotFoundError: (HTTPStatus.NOT_FOUND, "there is no such thing"),
    app.ConflictError: (HTTPStatus.CONFLICT, "it is there already, or somebody works on it"),
    app.CardError: (HTTPStatus.SERVICE_UNAVAILABLE, "the card can't be read now"),
    app.UnreadableError: (HTTPStatus.SERVICE_UNAVAILABLE, "a file of the card can't be read"),
    app.SourceChangedError: (HTTPStatus.CONFLICT, "a file of the card changed while it was read"),
    app.VanishedError: (HTTPStatus.SERVICE_UNAVAILABLE, "a file of the card is not there any more"),
    app.DestinationError: (HTTPStatus.SERVICE_UNAVAILABLE, "the destination can't be used now"),
    app.DestinationFullError: (HTTPStatus.INSUFFICIENT_STORAGE, "the destination is full"),
    app.ReadOnlyError: (HTTPStatus.SERVICE_UNAVAILABLE, "the destination can't be written to"),
    app.DestinationGoneError: (HTTPStatus.SERVICE_UNAVAILABLE, "the destination is not there any more"),
    app.RefusedFileError: (HTTPStatus.UNPROCESSABLE_ENTITY, "the destination can't hold this file"),
    app.VerifyError: (HTTPStatus.INTERNAL_SERVER_ERROR, "a copy is not what it should be"),
    app.ChecksumMismatchError: (HTTPStatus.INTERNAL_SERVER_ERROR, "a copy differs from the card"),
    app.MissingCopyError: (HTTPStatus.INTERNAL_SERVER_ERROR, "a copy is missing"),
    app.UnexpectedFileError: (HTTPStatus.INTERNAL_SERVER_ERROR, "there is a file that nobody recorded"),
    app.ManifestError: (HTTPStatus.INTERNAL_SERVER_ERROR, "a hash list can't be trusted"),
    app.MediaError: (HTTPStatus.UNPROCESSABLE_ENTITY, "the media file can't be read"),
    app.CatalogueError: (HTTPStatus.SERVICE_UNAVAILABLE, "the catalogue can't be used now"),
    RequestError: (HTTPStatus.BAD_REQUEST, "the request can't be taken as it is"),
    UnauthorizedError: (HTTPStatus.UNAUTHORIZED, "the token is missing or wrong"),
    InsufficientScopeError: (HTTPStatus.FORBIDDEN, "this token may not do that"),
    TooManyCallsError: (HTTPStatus.TOO_MANY_REQUESTS, "too many calls in too short a time"),
    ForeignOriginError: (HTTPStatus.FORBIDDEN, "another site's page tried to change something"),
    MisdirectedError: (HTTPStatus.MISDIRECTED_REQUEST, "this name is none of the service's"),
    BadHostError: (HTTPStatus.BAD_REQUEST, "the request names no host"),
    BodyTooLargeError: (HTTPStatus.REQUEST_ENTITY_TOO_LARGE, "the body is too long"),
    SlowBodyError: (HTTPStatus.REQUEST_TIMEOUT, "the body did not come to its end"),
    RangeError: (HTTPStatus.REQUESTED_RANGE_NOT_SATISFIABLE, "the file has no such part"),
    NotJsonError: (HTTPStatus.UNSUPPORTED_MEDIA_TYPE, "the body is not declared as JSON"),
    InvalidRequestError: (HTTPStatus.UNPROCESSABLE_ENTITY, "the request does not fit"),
    MalformedJsonError: (HTTPStatus.BAD_REQUEST, "the body is not JSON"),
    PreconditionRequiredError: (HTTPStatus.PRECONDITION_REQUIRED, "an edit must say which version it edits"),
    PreconditionFailedError: (HTTPStatus.PRECONDITION_FAILED, "somebody else changed it meanwhile"),
}


@dataclass(frozen=True, slots=True)
class Problem:
    """One error as HTTP. `more` holds extension members of RFC 9457, 3.2."""

    status: int
    type: str
    title: str
    detail: str
    remedy: str | None = None
    more: Mapping[str, Any] = field(default_factory=dict)
    headers: tuple[tuple[str, str], ...] = ()

    def as_json(self, instance: str) -> dict[str, Any]:
        members = {
            "type": self.type,
            "title": self.title,
            "status": self.status,
            "detail": self.detail,
            "instance": instance,
            "remedy": self.remedy,
            **self.more,
        }
        # What was sent may come back in here: a member's name, a value that does not exist.
        return {name: shown_json(value) for name, value in members.items() if value is not None}


def problem_slug(error: type[AppError]) -> str:
    """The last part of a problem's type: NotFoundError is "not-found"."""
    return re.sub(r"(?<!^)(?=[A-Z])", "-", error.__name__.removesuffix("Error")).lower()


def status_of(error: type[AppError]) -> int:
    return _row_of(error)[0]


def title_of(error: type[AppError]) -> str:
    return _row_of(error)[1]


def _row_of(error: type[AppError]) -> tuple[HTTPStatus, str]:
    """A class that is known only elsewhere stands for its parent."""
    return next(PROBLEMS[one] for one in error.__mro__ if one in PROBLEMS)


def problem_of(error: AppError) -> Problem:
    """An intended error: its message was written for the person who asked."""
    kind = type(error)
    more: dict[str, Any] = {}
    if isinstance(error, QueryError):
        more = {"query": error.query, "column": error.column}
    elif isinstance(error, InvalidRequestError) and error.errors:
        more = {"errors": [dict(one) for one in error.errors]}
    elif isinstance(error, PreconditionFailedError) and error.current is not None:
        more = {"current": error.current}
    return Problem(
        status=status_of(kind),
        type=f"/problems/{problem_slug(kind)}",
        title=title_of(kind),
        detail=error.message if error.path is None else f"{_shown_place(error.path)}: {error.message}",
        remedy=error.remedy,
        more=more,
        headers=error.headers if isinstance(error, RequestError) else (),
    )


def _shown_place(path: str) -> str:
    """A path of this machine is nobody else's business: of an absolute one the last part is shown."""
    return PurePath(path).name if PurePath(path).is_absolute() else path


def problem_of_http(error: HTTPException) -> Problem:
    """An error of the framework's own: no such address, no such method. RFC 9457, 4.2.1: about:blank."""
    status = HTTPStatus(error.status_code)
    detail = {
        HTTPStatus.NOT_FOUND: "there is nothing at this address",
        HTTPStatus.METHOD_NOT_ALLOWED: "this address has no such method",
    }.get(status, str(error.detail))
    return Problem(
        status=status,
        type="about:blank",
        title=status.phrase,
        detail=detail,
        headers=tuple((error.headers or {}).items()),
    )


def problem_unforeseen(request_id: str) -> Problem:
    """A fault of ours. What it was stands in the log alone."""
    status = HTTPStatus.INTERNAL_SERVER_ERROR
    return Problem(
        status=status,
        type="about:blank",
        title=status.phrase,
        detail="something went wrong inside the service",
        remedy=f"The service's log says what it was, under request {request_id}.",
        more={"request_id": request_id},
    )


def invalid_request(error: RequestValidationError) -> InvalidRequestError:
    """What the framework found wrong with parameters or body, without echoing what was sent."""
    found = error.errors()
    if found and found[0]["type"] == "json_invalid":
        return MalformedJsonError(
            f"the body is not JSON: {found[0]['ctx']['error']}, at character {found[0]['loc'][-1]}",
            remedy="Send JSON (RFC 8259).",
        )
    errors = [_place(one["loc"]) | {"detail": one["msg"]} for one in found]
    first = errors[0] if errors else {"detail": "it does not fit"}
    where = first.get("parameter") or first.get("pointer") or "the body"
    return InvalidRequestError(
        f"{where}: {first['detail']}",
        remedy="The OpenAPI document at /api/v1/openapi.json says what fits.",
        errors=errors,
    )


def database_error(error: IntegrityError | OperationalError) -> AppError:
    """What only the database noticed: two writers at one time, or no catalogue to write to."""
    if isinstance(error, IntegrityError):
        return ConflictError(
            "this clashes with something that is there already", remedy="Read it again and repeat the edit."
        )
    return CatalogueError(
        "the catalogue can't be used at this moment",
        remedy="Try again; if it stays so, see the service's log.",
    )


def _place(location: Sequence[Any]) -> dict[str, str]:
    """A parameter's name, or a JSON pointer (RFC 6901) into the body."""
    where, *rest = location
    if where == "body":
        return {
            "pointer": "#" + "".join(f"/{str(one).replace('~', '~0').replace('/', '~1')}" for one in rest)
        }
    return {"parameter": ".".join(map(str, rest))}


def problem_response(problem: Problem, instance: str) -> JSONResponse:
    response = JSONResponse(problem.as_json(instance), problem.status, media_type=PROBLEM_TYPE)
    for name, value in problem.headers:
        response.headers.append(name, value)
    return response
