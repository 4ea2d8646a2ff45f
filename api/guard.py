"""What every request passes before anything else looks at it, and every answer on its way out.

Threats and answers (Fetch and CSP of the WHATWG and W3C; RFC 9110, 9112, 6750, 6585):

    a name that was made to point here (DNS rebinding)   Host must be a name of this service
    a page of another site that posts                    Origin must be ours; the body must be JSON, or a form
                                                         of our own page, sent to a page
    somebody else on the network                         beyond loopback every request needs a token
    a token that was lent for less                       each change needs the scope that covers it
    guessing tokens, or a caller without end             a limit for each address, then 429
    a body without end, or one that never comes          1 MiB is read, for 30 s; then 413 or 408
    markup that came from a card                         a content policy without inline script or style
"""

from __future__ import annotations

import base64
import binascii
import ipaddress
import logging
import re
import socket
import time
import uuid
from collections.abc import Callable, Iterable

import anyio
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.errors import (
    BadHostError,
    BodyTooLargeError,
    ForeignOriginError,
    InsufficientScopeError,
    MisdirectedError,
    NotJsonError,
    Problem,
    SlowBodyError,
    TooManyCallsError,
    UnauthorizedError,
    problem_of,
    problem_unforeseen,
)
from api.limits import Limit, caller_address
from api.logs import current_request
from api.tokens import THIS_MACHINE, Caller, Keys, scope_needed
from shared.errors import AppError, UsageError
from shared.settings import Settings

MOST_BODY_BYTES = 1 << 20
BODY_SECONDS = 30.0
# Wrong tokens from one address: so many at once, then one in three seconds.
WRONG_TOKENS, WRONG_PER_SECOND = 20, 1 / 3
BURST_SECONDS = 10
# Set in the scope of a HEAD, which the rest of the program sees as the GET it stands for.
HEAD_ONLY = "rushlight.head"
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS", "TRACE"})  # RFC 9110, 9.2.1
# Say nothing but whether the service lives; a container's probe has no token.
OPEN_PATHS = frozenset({"/health", "/ready", "/api/v1/health", "/api/v1/ready"})
FORM_TYPE = "application/x-www-form-urlencoded"
LOOPBACK_NAMES = frozenset({"localhost", "127.0.0.1", "::1"})

_POLICY = (
    "default-src 'none'; img-src 'self'; media-src 'self'; style-src 'self'; script-src 'self'; "
    "connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
_SECURITY_HEADERS = (
    ("Content-Security-Policy", _POLICY),
    ("X-Content-Type-Options", "nosniff"),
    # Nothing leaves for another site; with no-referrer our own forms could not say where they are from
    # (Fetch, "append a request Origin header").
    ("Referrer-Policy", "same-origin"),
    ("Cross-Origin-Resource-Policy", "same-origin"),
    ("Cross-Origin-Opener-Policy", "same-origin"),
)
_HOST = re.compile(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+)(?::[0-9]{1,5})?")
_REQUEST_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{7,63}", re.ASCII)
_JSON_TYPE = re.compile(r"application/(?:[\w.-]+\+)?json", re.ASCII)

log = logging.getLogger("rushlight.api")

Respond = Callable[[Request, Problem], Response]
Refuse = Callable[[Request], Problem | None]


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach a service that listens there."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def check_token(settings: Settings) -> None:
    """Raises UsageError when the service would be open to the network without a token."""
    if is_loopback(settings.host) or Keys(settings).tokens():
        return
    raise UsageError(
        f"{settings.host or 'every address'} can be reached from the network, and no token is set",
        remedy="Make one with `rushlight token NAME --scope read`, or set RUSHLIGHT_TOKEN to a long random "
        "text, or listen on 127.0.0.1.",
    )


class Guard:
    """ASGI middleware around the whole application. `respond` writes a problem as JSON or as a page;
    `refuse` gives the problem of a request that no route takes, before its body is looked at."""

    def __init__(self, app: ASGIApp, settings: Settings, respond: Respond, refuse: Refuse) -> None:
        self._app = app
        self._refuse = refuse
        self._hosts = _own_names(settings.host)
        self._any_address = settings.host in ("", "0.0.0.0", "::")
        self._door = None if is_loopback(settings.host) else Door(settings)
        self._respond = respond

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
        elif scope["type"] == "http":
            await self._answer(scope, receive, send)
        else:  # a web socket: there is none here
            await send({"type": "websocket.close", "code": 1008})

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        request = Request(scope, receive)
        answer = _Answer(request.method, _request_id(request.headers), send)
        remembered = current_request.set(answer.request_id)
        scope = {**scope, HEAD_ONLY: request.method == "HEAD"}
        if scope[HEAD_ONLY]:
            scope["method"] = "GET"
        begun = time.monotonic()
        try:
            scope["rushlight.caller"] = self._check(request)
            refusal = self._refuse(request) if request.method not in SAFE_METHODS else None
            if refusal is not None:
                await self._respond(request, refusal)(scope, receive, answer.send)
                return
            if request.method not in SAFE_METHODS:
                _check_type(request)
                receive = _replay(await _read_body(request), receive)
            await self._app(scope, receive, answer.send)
        except AppError as error:
            if answer.status:  # the head is gone: breaking off is the only way left to say so
                log.error("%s %s broke off: %s", request.method, scope["path"], error.message)
                raise
            await self._respond(request, problem_of(error))(scope, receive, answer.send)
        except ClientDisconnect:
            log.info("%s %s: the caller went away", request.method, scope["path"])
        except Exception:
            log.exception("%s %s failed", request.method, scope["path"])
            if answer.status:
                raise
            problem = problem_unforeseen(answer.request_id)
            await self._respond(request, problem)(scope, receive, answer.send)
        finally:
            _log_call(scope, request.method, answer.status, time.monotonic() - begun)
            current_request.reset(remembered)

    def _check(self, request: Request) -> Caller:
        host = _read_host(request.headers)
        if not self._is_own(host):
            raise MisdirectedError(
                f"this service does not answer to the name {host}",
                remedy="Use the address that it printed when it started.",
            )
        caller = THIS_MACHINE
        if self._door is not None and request.scope["path"] not in OPEN_PATHS:
            caller = self._door.let_in(request)
        if request.method not in SAFE_METHODS:
            _check_origin(request.headers)
        return caller

    def _is_own(self, host: str) -> bool:
        """A rebinding attack needs a name that it controls: an address typed as such is none."""
        return host in self._hosts or (self._any_address and _is_address(host))


def _own_names(host: str) -> frozenset[str]:
    names = LOOPBACK_NAMES | {host.lower()}
    if not is_loopback(host):
        machine = socket.gethostname().lower()
        names |= {machine, f"{machine}.local"}
    return names


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def _read_host(headers: Headers) -> str:
    """The name in Host, without its port. RFC 9112, 3.2: exactly one, else 400."""
    given = headers.getlist("host")
    found = _HOST.fullmatch(given[0]) if len(given) == 1 else None
    if found is None:
        raise BadHostError("the request needs one Host header with a name or an address")
    return found[1].strip("[]").lower().rstrip(".")


class Door:
    """Who is let in from the network, how often, and to what."""

    def __init__(self, settings: Settings) -> None:
        self._keys = Keys(settings)
        self._calls = Limit(settings.calls_per_second, settings.calls_per_second * BURST_SECONDS)
        self._wrong = Limit(WRONG_PER_SECOND, WRONG_TOKENS)

    def let_in(self, request: Request) -> Caller:
        """Raises TooManyCallsError, UnauthorizedError or InsufficientScopeError."""
        address = caller_address(request.scope.get("client"))
        seconds = self._calls.take(address)
        if seconds:
            raise TooManyCallsError("more calls than one caller may make", seconds=seconds)
        given = _read_secret(request.headers.get("authorization", ""))
        if given and (seconds := self._wrong.wait(address)):
            raise TooManyCallsError("too many wrong tokens came from there", seconds=seconds)
        caller = self._keys.find(given) if given else None
        if caller is None:
            if given:
                self._wrong.take(address)
            raise UnauthorizedError(
                "this service needs a token",
                remedy="Send it as Authorization: Bearer TOKEN; a browser asks for it: any name, the token "
                "as password.",
            )
        needed = scope_needed(request.method, request.scope["path"])
        if needed not in caller.scopes:
            raise InsufficientScopeError(
                f"the token {caller.name} may not do this: it has no scope {needed}",
                scope=needed,
                remedy=f"Make another: rushlight token NAME --scope {needed}.",
            )
        return caller


def _read_secret(authorization: str) -> bytes:
    """`Bearer TOKEN`, or as a browser sends it: `Basic` with the token as the password. Empty: none."""
    scheme, _, value = authorization.partition(" ")
    if scheme.lower() == "bearer":
        return value.strip().encode("latin-1")  # the bytes as they came
    if scheme.lower() == "basic":
        try:
            return base64.b64decode(value.strip(), validate=True).partition(b":")[2]
        except (binascii.Error, ValueError):
            return b""
    return b""


def _request_id(headers: Headers) -> str:
    """The caller's own, if it is one that can stand in a log, else a new one."""
    given = headers.getlist("x-request-id")
    if len(given) == 1 and _REQUEST_ID.fullmatch(given[0]):
        return given[0]
    return uuid.uuid4().hex


class _Answer:
    """The way out: every answer gets the headers, and that of a HEAD keeps its body to itself.

    `status`: 0 as long as nothing was sent.
    """

    def __init__(self, method: str, request_id: str, send: Send) -> None:
        self.request_id = request_id
        self.status = 0
        self._head_only = method == "HEAD"
        self._send = send

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.status = message["status"]
            _add_headers(MutableHeaders(scope=message), self.request_id)
        elif self._head_only:
            if message.get("more_body"):
                return
            message = {"type": "http.response.body", "body": b""}
        await self._send(message)


def _log_call(scope: Scope, method: str, status: int, seconds: float) -> None:
    """One line a call, without its query: what people look for is theirs."""
    caller: Caller | None = scope.get("rushlight.caller")
    facts = {
        "method": method,
        "path": scope["path"],
        "status": status,
        "ms": round(seconds * 1000, 1),
        "client": caller_address(scope.get("client")),
        "caller": caller.name if caller is not None else None,
    }
    log.info("%(method)s %(path)s %(status)s in %(ms)s ms", facts, extra=facts)


def _check_origin(headers: Headers) -> None:
    """Programs send no Origin. A browser does, and only a page of ours may change anything."""
    origin = headers.get("origin")
    own = headers["host"].lower()
    foreign = origin is not None and origin.lower() not in (f"http://{own}", f"https://{own}")
    if foreign or headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        raise ForeignOriginError(
            "a page of another site can't change anything here", remedy="Use the service's own pages."
        )


def _check_type(request: Request) -> None:
    """A form of another site can't send JSON without asking first, and asking is never answered.

    Our own forms, which work without script, send what any form can; so they go to pages alone, never to the
    API, and must say that they are ours: `_check_origin` has compared what they say.
    """
    media_type = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    own = "origin" in request.headers and not request.scope["path"].startswith("/api/")
    if not _JSON_TYPE.fullmatch(media_type) and not (own and media_type == FORM_TYPE):
        raise NotJsonError("the body must be JSON", remedy="Send Content-Type: application/json.")


async def _read_body(request: Request) -> bytes:
    """The whole body. Raises BodyTooLargeError once it is known to be too long, SlowBodyError in the end."""
    too_large = BodyTooLargeError(
        f"the body is longer than {MOST_BODY_BYTES} bytes", remedy="Send less at a time."
    )
    declared = request.headers.get("content-length", "")
    if declared.isdecimal() and int(declared[:20]) > MOST_BODY_BYTES:
        raise too_large
    parts = bytearray()
    with anyio.move_on_after(BODY_SECONDS):
        async for part in request.stream():
            parts += part
            if len(parts) > MOST_BODY_BYTES:
                raise too_large
        return bytes(parts)
    raise SlowBodyError(
        f"the body did not come to its end in {BODY_SECONDS:g} s", remedy="Send it again, all of it."
    )


def _replay(body: bytes, receive: Receive) -> Receive:
    """A channel that gives the body once, and afterwards what the connection says."""
    waiting: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

    async def receive_again() -> Message:
        return waiting.pop() if waiting else await receive()

    return receive_again


def _add_headers(headers: MutableHeaders, request_id: str) -> None:
    _set_missing(headers, _SECURITY_HEADERS)
    _set_missing(headers, [("Cache-Control", "no-store")])
    headers["X-Request-Id"] = request_id
    allowed = headers.get("allow")
    if allowed is not None and "GET" in allowed.split(", "):
        headers["Allow"] = f"{allowed}, HEAD"  # see HEAD_ONLY


def _set_missing(headers: MutableHeaders, values: Iterable[tuple[str, str]]) -> None:
    for name, value in values:
        headers.setdefault(name, value)
