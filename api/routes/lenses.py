"""Lenses of the kit list: listed, added, and corrected for every clip at once."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.deps import AfterName, CallerDep, Limit, ProductionName, RowId, ServiceDep
from api.etags import IfMatch, check_if_match
from api.fields import Fields, select_fields
from api.paging import cut_page, next_link
from api.schemas.base import Listing
from api.schemas.kit import Lens, NewLens, lens_shape
from api.schemas.names import LensPatch, given, row_tag
from shared import models
from shared.catalogue.journal import record
from shared.catalogue.lenses import set_lens
from shared.catalogue.named_rows import NAMED
from shared.catalogue.productions import find_production
from shared.catalogue.rows import RowsEdit
from shared.db import reading, writing
from shared.errors import ConflictError, NotFoundError, UsageError

router = APIRouter(prefix="/lenses", tags=["kit"])


@router.get("", summary="List a production's lenses", response_model=Listing[Lens], responses={404: {}})
def list_lenses(
    service: ServiceDep,
    request: Request,
    production: ProductionName = None,
    limit: Limit = 100,
    after: AfterName = None,
    fields: Fields = None,
) -> Listing[Lens] | Response:
    with reading(service.sessions) as session:
        found = find_production(session, production)
        # Sorted here and not by the database, whose order of letters may be another one.
        lenses = session.scalars(select(models.Lens).filter_by(production_id=found.id))
        rows, last = cut_page(lenses, lambda row: row.name, limit=limit, after=after)
        page = Listing[Lens](items=[lens_shape(row) for row in rows], next=next_link(request, last))
    return select_fields(page, fields)


@router.post("", status_code=201, summary="Add a lens to the kit list", responses={404: {}, 409: {}})
def create_lens(
    service: ServiceDep,
    body: NewLens,
    response: Response,
    caller: CallerDep,
    production: ProductionName = None,
) -> Lens:
    with writing(service.sessions) as session:
        found = find_production(session, production)
        name = " ".join(body.name.split())
        if not name:
            raise UsageError("a lens needs a name", remedy="Write what stands on it, such as 35 mm.")
        if session.scalar(select(models.Lens).filter_by(production_id=found.id, name=name)) is not None:
            raise ConflictError(f"there is a lens {name} already", remedy="Give this one another name.")
        lens = set_lens(session, found, name, focal=body.focal or None, aperture=body.aperture or None)
        after = NAMED["lens"].read(session, lens)
        record(session, found, caller.name, f"lens {name}", "lens", {lens.id: None}, {lens.id: after})
        return _answer(lens, response)


@router.get("/{id}", summary="Read one lens", responses={404: {}})
def read_lens(service: ServiceDep, id: RowId, response: Response) -> Lens:
    with reading(service.sessions) as session:
        return _answer(_find(session, id), response)


@router.patch(
    "/{id}",
    summary="Change a lens",
    description="`If-Match` must hold the ETag that was read. Every clip that was taken with it follows.",
    responses={404: {}, 409: {}, 412: {}, 428: {}},
)
def patch_lens(
    service: ServiceDep,
    id: RowId,
    patch: LensPatch,
    response: Response,
    caller: CallerDep,
    if_match: IfMatch = None,
) -> Lens:
    with writing(service.sessions) as session:
        row = _find(session, id, hold=True)
        check_if_match(if_match, row_tag(row), lambda: lens_shape(row))
        production = session.get_one(models.Production, row.production_id)
        edit = RowsEdit(session, production, caller.name, f"lens {row.name}")
        edit.put(NAMED["lens"], row.id, given(patch))
        _check_focal(row)
        edit.close()
        return _answer(row, response)


def _check_focal(row: models.Lens) -> None:
    if (row.focal_min_mm is None) != (row.focal_max_mm is None) or (
        row.focal_min_mm is not None and row.focal_max_mm is not None and row.focal_max_mm < row.focal_min_mm
    ):
        raise UsageError(
            f"{row.focal_min_mm} to {row.focal_max_mm} is no focal length",
            remedy="The shorter one first; a prime has the same twice.",
        )


def _find(session: Session, number: int, *, hold: bool = False) -> models.Lens:
    rows = select(models.Lens).where(models.Lens.id == number)
    row = session.scalar(rows.with_for_update() if hold else rows)
    if row is None:
        raise NotFoundError(f"there is no lens {number}", remedy="List them under /api/v1/lenses.")
    return row


def _answer(row: models.Lens, response: Response) -> Lens:
    response.headers["ETag"] = row_tag(row)
    return lens_shape(row)
