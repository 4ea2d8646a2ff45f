"""Run the service until it is asked to stop."""

from __future__ import annotations

import signal
import socket
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from types import FrameType

import uvicorn

from api.app import create_app
from api.guard import is_loopback
from api.logs import logging_to
from api.readiness import make_ready
from shared.db import Sessions
from shared.errors import UsageError
from shared.settings import Settings

# Long enough for an answer under way, short enough for a person who waits at the prompt.
GRACE_SECONDS = 5
_WAITING_CALLERS = 128
# How long one answer may compute before another goes on. An edit gives way at each of its statements,
# and would wait there for a page that is being made, five milliseconds each time by default.
_TURN_SECONDS = 0.002


def serve(settings: Settings, sessions: Sessions, *, say: Callable[[str], None] = print) -> None:
    """Listen, say where, and answer until SIGINT or SIGTERM; then finish what is under way and return.

    Port 0 takes a free one. Raises UsageError if the address can't be had, or if it can be reached from
    the network and no token is set.
    """
    app = create_app(settings, sessions)
    with closing(open_socket(settings.host, settings.port)) as listening:
        config = uvicorn.Config(
            app,
            lifespan="off",
            ws="none",
            log_config=None,
            access_log=False,
            server_header=False,
            proxy_headers=False,
            timeout_graceful_shutdown=GRACE_SECONDS,
        )
        server = uvicorn.Server(config)
        sys.setswitchinterval(_TURN_SECONDS)
        # A large log takes seconds to read: that begins now and not with the first question.
        threading.Thread(target=make_ready, args=[app.state.service], name="ready", daemon=True).start()
        say(f"Rushlight serves {address_of(listening, settings.host)}, stop with Ctrl-C.")
        say(_token_rule(settings.host))
        with logging_to(sys.stderr, settings), _stopping(server):
            server.run(sockets=[listening])
    say("Stopped.")


def open_socket(host: str, port: int) -> socket.socket:
    """A listening socket. Raises UsageError that says why there is none."""
    try:
        family, _, _, _, address = socket.getaddrinfo(
            host or None, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        listening = socket.create_server(address[:2], family=family, backlog=_WAITING_CALLERS)
    except OSError as error:
        raise UsageError(
            f"can't listen on {host or 'every address'}, port {port}: {error.strerror}",
            remedy="Choose another port (RUSHLIGHT_PORT, 0 takes a free one) or an address of this machine.",
        ) from error
    listening.setblocking(False)
    # Inherited by every connection. The loop sets it only on sockets that name their protocol, and without
    # it each answer on a connection that is kept waits 40 ms for the caller's acknowledgement (RFC 896).
    listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return listening


def address_of(listening: socket.socket, host: str) -> str:
    """The address to open in a browser, with the port that was really taken."""
    port = listening.getsockname()[1]
    shown = socket.gethostname() if host in ("", "0.0.0.0", "::") else host
    return f"http://[{shown}]:{port}/" if ":" in shown else f"http://{shown}:{port}/"


def _token_rule(host: str) -> str:
    if is_loopback(host):
        return "Only this machine reaches it, and no token is asked for."
    return (
        "The network reaches it: every request needs a token (Authorization: Bearer TOKEN; a browser asks: "
        "any name, the token as password). What is sent can be read on the way: use a network you trust."
    )


@contextmanager
def _stopping(server: uvicorn.Server) -> Iterator[None]:
    """The server ends in order on a signal and then raises it again, which would end the process at once:
    the worker beside it, and whoever else called, could not finish. So the signal is only taken note of.
    """

    def stop(_signal: int, _frame: FrameType | None) -> None:
        server.should_exit = True

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    previous = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in previous.items():
            signal.signal(number, handler)
