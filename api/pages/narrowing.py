"""Facets as links, and a query's error shown at its place: for every page that has a query box."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from api.pages.pointer import Pointer, point_at
from api.pages.vocabulary import say_field
from shared.catalogue.facets import FacetValue
from shared.errors import QueryError
from shared.facets.state import FacetCounts
from shared.query import Exactly, Match, parse_query, render_query
from shared.query import Query as ParsedQuery

SHOWN_OF_A_FACET = 8
_HEADINGS = {"has": "State"}


@dataclass(frozen=True, slots=True)
class FacetLink:
    """`chosen`: it stands in the query, and the link takes it out."""

    label: str
    count: int
    href: str
    chosen: bool = False


@dataclass(frozen=True, slots=True)
class FoundError:
    """A query's error, with the query cut at its place."""

    message: str
    remedy: str
    pointer: Pointer


def show_error(error: QueryError) -> FoundError:
    return FoundError(error.message, error.remedy or "", point_at(error.query, error.column))


Facets = tuple[tuple[str, tuple[FacetLink, ...]], ...]


def narrow_down(counted: FacetCounts, q: str, address: Callable[[str], str]) -> Facets:
    """By field its most frequent values, each as the query with this value added, or taken out again where
    it stands in it. A value that all clips have narrows nothing down and is left out.
    """
    chosen = _chosen(q)
    shown = []
    for field, values in counted.fields.items():
        narrowing = [one for one in values if one.count < counted.total or (field, one.value) in chosen]
        most = heapq.nlargest(SHOWN_OF_A_FACET, narrowing, key=lambda one: one.count)
        picked = {one.value for one in most}
        links = tuple(
            _link(q, field, one.value, say_value(field, one), one.count, chosen, address)
            for one in narrowing
            if one.value in picked
        )
        if field == "has":
            links += _not_logged(q, counted.total, values, chosen, address)
        if links:
            shown.append((_HEADINGS.get(field, say_field(field)), links))
    return tuple(shown)


def _link(
    q: str,
    field: str,
    value: str,
    label: str,
    count: int,
    chosen: set[tuple[str, str]],
    address: Callable[[str], str],
) -> FacetLink:
    there = (field, value) in chosen
    query = widened(q, field, value) if there else narrowed(q, field, value)
    return FacetLink(label, count, address(query), there)


def _not_logged(
    q: str,
    total: int,
    values: Sequence[FacetValue],
    chosen: set[tuple[str, str]],
    address: Callable[[str], str],
) -> tuple[FacetLink, ...]:
    """What is still to do is looked for more often than what is done."""
    left = total - sum(one.count for one in values if one.value == "log")
    if not 0 < left < total and ("no", "log") not in chosen:
        return ()
    return (_link(q, "no", "log", "not logged yet", left, chosen, address),)


def narrowed(q: str, field: str, value: str) -> str:
    term = render_query(ParsedQuery((Match(field, (Exactly(value),)),)))
    return f"{q.strip()} {term}".strip()


def widened(q: str, field: str, value: str) -> str:
    """The query without the term that asks for this value alone."""
    left = [term for term in parse_query(q).terms if term != Match(field, (Exactly(value),))]
    return render_query(ParsedQuery(tuple(left)))


def _chosen(q: str) -> set[tuple[str, str]]:
    """What the query asks for alone, and not in a list of values or as a negation."""
    return {
        (term.field, term.values[0].text)
        for term in parse_query(q).terms
        if isinstance(term, Match)
        and not term.negated
        and len(term.values) == 1
        and isinstance(term.values[0], Exactly)
    }


def say_value(field: str, one: FacetValue) -> str:
    if field == "day":
        return f"Day {one.value}"
    if field == "camera" and one.label not in ("", one.value):
        return f"{one.value} · {one.label}"
    if field == "has":
        return {"log": "logged"}.get(one.value, f"with a {one.value}")
    return one.label or one.value
