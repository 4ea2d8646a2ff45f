"""What every request passes before anything else looks at it, and every answer on its way out.

Threats and answers (Fetch and CSP of the WHATWG and W3C; RFC 9110, 9112, 6750):

    a name that was made to point here (DNS rebinding)   Host must be a name of this service
    a page of another site that posts                    Origin must be ours, the body must be JSON
    somebody else on the network                         beyond loopback every request needs the token
    a body without end                                   1 MiB is read, then the answer is 413
    markup that came from a card                         a content policy without inline script or style
"""

from __future__ import annotations

import base64
import binascii
import hmac
import ipaddress
import logging
import re
import socket
import uuid
from collections.abc import Callable, Iterable

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.errors import (
    BadHostError,
    BodyTooLargeError,
    ForeignOriginError,
    MisdirectedError,
    NotJsonError,
    Problem,
    UnauthorizedError,
    problem_of,
    problem_unforeseen,
)
from shared.errors import AppError, UsageError
from shared.settings import Settings

MOST_BODY_BYTES = 1 << 20
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
# Say nothing but whether the service lives; a container's probe has no token.
OPEN_PATHS = frozenset({"/health", "/ready", "/api/v1/health", "/api/v1/ready"})
LOOPBACK_NAMES = frozenset({"localhost", "127.0.0.1", "::1"})

_POLICY = (
    "default-src 'none'; img-src 'self'; style-src 'self'; script-src 'self'; connect-src 'self'; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
_SECURITY_HEADERS = (
    ("Content-Security-Policy", _POLICY),
    ("X-Content-Type-Options", "nosniff"),
    ("Referrer-Policy", "no-referrer"),
    ("Cross-Origin-Resource-Policy", "same-origin"),
    ("Cross-Origin-Opener-Policy", "same-origin"),
)
_HOST = re.compile(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+)(?::[0-9]{1,5})?")
_JSON_TYPE = re.compile(r"application/(?:[\w.-]+\+)?json", re.ASCII)

log = logging.getLogger("rushlight.api")

Respond = Callable[[Request, Problem], Response]


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
    if not is_loopback(settings.host) and not settings.token.strip():
        raise UsageError(
            f"{settings.host or 'every address'} can be reached from the network, and no token is set",
            remedy="Set RUSHLIGHT_TOKEN to a long random text, or listen on 127.0.0.1.",
        )


class Guard:
    """ASGI middleware around the whole application. `respond` writes a problem as JSON or as a page."""

    def __init__(self, app: ASGIApp, settings: Settings, respond: Respond) -> None:
        self._app = app
        self._hosts = _own_names(settings.host)
        self._any_address = settings.host in ("", "0.0.0.0", "::")
        self._token = None if is_loopback(settings.host) else settings.token.strip().encode()
        self._respond = respond

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
        elif scope["type"] == "http":
            await self._answer(scope, receive, send)
        else:  # a web socket: there is none here
            await send({"type": "websocket.close", "code": 1008})

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        request_id = uuid.uuid4().hex[:12]
        started = False

        async def send_on(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                _add_headers(MutableHeaders(scope=message), request_id)
            await send(message)

        request = Request(scope, receive)
        try:
            self._check(request)
            if request.method not in SAFE_METHODS:
                receive = _replay(await _read_body(request), receive)
            await self._app(scope, receive, send_on)
        except AppError as error:
            await self._respond(request, problem_of(error))(scope, receive, send_on)
        except ClientDisconnect:
            log.info("request %s: the caller went away", request_id)
        except Exception:
            log.exception("request %s: %s %s", request_id, request.method, scope["path"])
            if started:
                raise
            await self._respond(request, problem_unforeseen(request_id))(scope, receive, send_on)

    def _check(self, request: Request) -> None:
        host = _read_host(request.headers)
        if not self._is_own(host):
            raise MisdirectedError(
                f"this service does not answer to the name {host}",
                remedy="Use the address that it printed when it started.",
            )
        if self._token is not None and request.scope["path"] not in OPEN_PATHS:
            _check_credentials(request.headers.get("authorization", ""), self._token)
        if request.method not in SAFE_METHODS:
            _check_origin(request.headers)
            _check_json(request.headers)

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


def _check_credentials(authorization: str, token: bytes) -> None:
    """`Bearer TOKEN`, or as a browser sends it: `Basic` with the token as the password."""
    scheme, _, value = authorization.partition(" ")
    given = b""
    if scheme.lower() == "bearer":
        given = value.strip().encode("latin-1")  # the bytes as they came
    elif scheme.lower() == "basic":
        try:
            given = base64.b64decode(value.strip(), validate=True).partition(b":")[2]
        except (binascii.Error, ValueError):
            given = b""
    if not hmac.compare_digest(given, token):
        raise UnauthorizedError(
            "this service needs its token",
            remedy="Send it as Authorization: Bearer TOKEN; a browser asks for it: any name, the token "
            "as password.",
        )


def _check_origin(headers: Headers) -> None:
    """Programs send no Origin. A browser does, and only a page of ours may change anything."""
    origin = headers.get("origin")
    own = headers["host"].lower()
    foreign = origin is not None and origin.lower() not in (f"http://{own}", f"https://{own}")
    if foreign or headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        raise ForeignOriginError(
            "a page of another site can't change anything here", remedy="Use the service's own pages."
        )


def _check_json(headers: Headers) -> None:
    """A form of another site can't send this type without asking first, and asking is never answered."""
    media_type = headers.get("content-type", "").partition(";")[0].strip().lower()
    if not _JSON_TYPE.fullmatch(media_type):
        raise NotJsonError("the body must be JSON", remedy="Send Content-Type: application/json.")


async def _read_body(request: Request) -> bytes:
    """The whole body. Raises BodyTooLargeError once it is known to be too long."""
    too_large = BodyTooLargeError(
        f"the body is longer than {MOST_BODY_BYTES} bytes", remedy="Send less at a time."
    )
    declared = request.headers.get("content-length", "")
    if declared.isdecimal() and int(declared[:20]) > MOST_BODY_BYTES:
        raise too_large
    parts = bytearray()
    async for part in request.stream():
        parts += part
        if len(parts) > MOST_BODY_BYTES:
            raise too_large
    return bytes(parts)


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


def _set_missing(headers: MutableHeaders, values: Iterable[tuple[str, str]]) -> None:
    for name, value in values:
        headers.setdefault(name, value)
