"""The application: made from settings and a catalogue, never at import."""

from __future__ import annotations

from anyio import CapacityLimiter
from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from sqlalchemy.exc import IntegrityError, OperationalError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Match

from api.deps import Service
from api.errors import (
    Problem,
    database_error,
    invalid_request,
    problem_of,
    problem_of_http,
    problem_response,
)
from api.guard import Guard, Respond, check_token, log
from api.openapi import TITLE, VERSION, describe_on, route_id
from api.pages import all_pages
from api.pages.site import make_site, wants_page
from api.routes import all_routes, health
from api.streaming import MOST_READERS
from shared.db import Sessions
from shared.errors import AppError
from shared.settings import Settings
from shared.vocabulary import load_vocabulary


def create_app(settings: Settings, sessions: Sessions) -> FastAPI:
    """The service over one catalogue. Raises UsageError if it would be open to a network without a token."""
    check_token(settings)
    site = make_site()

    def respond(request: Request, problem: Problem) -> Response:
        if wants_page(request):
            return site.render_problem(problem)
        return problem_response(problem, request.scope["path"])

    app = FastAPI(
        title=TITLE,
        version=VERSION,
        openapi_url="/api/v1/openapi.json",
        # The framework's own pages load script from other hosts, and this service works offline.
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        generate_unique_id_function=route_id,
    )
    app.state.service = Service(settings, sessions, load_vocabulary())
    app.state.site = site
    app.state.readers = CapacityLimiter(MOST_READERS)
    # At the root too: what watches over a service asks there, whatever the version of the API.
    app.include_router(health.router, include_in_schema=False)
    for router in all_routes():
        app.include_router(router, prefix="/api/v1")
    for router in all_pages():
        app.include_router(router, include_in_schema=False)
    describe_on(app)
    _handle_errors(app, respond)
    app.add_middleware(
        Guard, settings=settings, respond=respond, refuse=lambda request: _refusal(app, request)
    )
    return app


def _allowed_at(app: FastAPI, request: Request) -> str:
    """Every method that this address has (RFC 9110, 10.2.1); the framework names those of one route."""

    def has(method: str) -> bool:
        asked = {**request.scope, "method": method}
        return any(route.matches(asked)[0] is Match.FULL for route in app.routes)

    return ", ".join(filter(has, ("GET", "POST", "PUT", "PATCH", "DELETE")))


def _refusal(app: FastAPI, request: Request) -> Problem | None:
    """The problem of an address or a method that is not there; None: a route takes the request."""
    allowed = _allowed_at(app, request)
    if not allowed:
        return problem_of_http(HTTPException(404))
    if request.method not in allowed.split(", "):
        return problem_of_http(HTTPException(405, headers={"Allow": allowed}))
    return None


def _handle_errors(app: FastAPI, respond: Respond) -> None:
    async def on_app_error(request: Request, error: Exception) -> Response:
        assert isinstance(error, AppError)
        return respond(request, problem_of(error))

    async def on_http_error(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        if error.status_code == 405:
            error = HTTPException(405, headers={"Allow": _allowed_at(app, request)})
        return respond(request, problem_of_http(error))

    async def on_invalid(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)
        return respond(request, problem_of(invalid_request(error)))

    async def on_database_error(request: Request, error: Exception) -> Response:
        assert isinstance(error, IntegrityError | OperationalError)
        log.warning("%s %s: %s", request.method, request.scope["path"], error.orig)
        return respond(request, problem_of(database_error(error)))

    app.add_exception_handler(AppError, on_app_error)
    app.add_exception_handler(IntegrityError, on_database_error)
    app.add_exception_handler(OperationalError, on_database_error)
    app.add_exception_handler(HTTPException, on_http_error)
    app.add_exception_handler(RequestValidationError, on_invalid)
