"""The demo: an invented production to look around in, loaded and removed by the worker."""

from __future__ import annotations

from fastapi import APIRouter, Response

from api.deps import ServiceDep
from api.schemas import work
from shared.catalogue.demo import demo_production
from shared.catalogue.requests import file_request, open_requests
from shared.db import writing
from shared.errors import ConflictError, NotFoundError
from shared.models import RequestKind

router = APIRouter(prefix="/demo", tags=["service"])


@router.post(
    "",
    status_code=202,
    summary="Ask for the demo to be loaded or removed",
    description="Files a request, which a worker carries out; loading takes about a minute. What is removed "
    "is the production that the demo made, with all that hangs on it, and the folder in which it drew its "
    "cards and their copies. Nothing else is touched.",
    responses={404: {}, 409: {}},
)
def request_demo(service: ServiceDep, body: work.DemoOrder, response: Response) -> work.Request:
    with writing(service.sessions) as session:
        there = demo_production(session, service.settings.home)
        if open_requests(session, RequestKind.DEMO):
            raise ConflictError(
                "the demo is being loaded or removed already", remedy="Wait until that is done."
            )
        if body.action == "load" and there is not None:
            raise ConflictError(f"the demo is there: {there.name}", remedy="Remove it first.")
        if body.action == "remove" and there is None:
            raise NotFoundError("there is no demo", remedy="Load it first.")
        row = file_request(session, RequestKind.DEMO, {"action": body.action})
        response.headers["Location"] = f"/api/v1/requests/{row.id}"
        return work.request_shape(row)
