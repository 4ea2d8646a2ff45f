"""What endpoints are given.

An endpoint opens its session itself, `with reading(service.sessions)` or `with writing(…)`, and makes
its answer inside. A session handed in by the framework would hold its connection, or the one write
lock, while the endpoint waits for a thread; forty such requests wait for each other.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated

from fastapi import Depends, Path, Query
from starlette.requests import Request

from api.answers import Answers
from api.tokens import THIS_MACHINE, Caller
from shared.db import Sessions
from shared.facets.index import FacetIndex
from shared.settings import Settings
from shared.vocabulary import Vocabulary


@dataclass(frozen=True, slots=True)
class Service:
    """What the application was made with."""

    settings: Settings
    sessions: Sessions
    vocabulary: Vocabulary
    facets: FacetIndex = field(init=False)
    answers: Answers = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "facets", FacetIndex(self.sessions))
        object.__setattr__(self, "answers", Answers(self.sessions))


async def service_of(request: Request) -> Service:
    service = request.app.state.service
    assert isinstance(service, Service)
    return service


async def caller_of(request: Request) -> Caller:
    """Who asks, as the guard found out; whoever uses this machine where no token is asked for."""
    caller = request.scope.get("rushlight.caller", THIS_MACHINE)
    assert isinstance(caller, Caller)
    return caller


LARGEST_ID = 2**63 - 1  # what the databases' own integers hold

ServiceDep = Annotated[Service, Depends(service_of)]
CallerDep = Annotated[Caller, Depends(caller_of)]
RowId = Annotated[int, Path(ge=1, le=LARGEST_ID, description="The row's id.")]
ProductionName = Annotated[
    str | None,
    Query(
        alias="production",
        max_length=200,
        description="The production's name, folder name or id. Without it: the latest.",
    ),
]
Limit = Annotated[int, Query(ge=1, le=500, description="How many to give at most.")]
AfterName = Annotated[
    str | None,
    Query(max_length=300, description="Go on after this one; `next` of the page before has it."),
]
AfterId = Annotated[
    int | None,
    Query(ge=0, le=LARGEST_ID, description="Go on after this id; `next` of the page before has it."),
]
