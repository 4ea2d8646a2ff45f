"""What the values of one production are called, and which of them a query means."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy.orm import Session

from shared.catalogue.conditions import _codes as codes_of
from shared.catalogue.lookup import Known, list_known, pick_known
from shared.catalogue.ranges import covers, read_span
from shared.errors import UsageError
from shared.facets.derive import Key
from shared.models import Production
from shared.query import Exactly, Value
from shared.query_fields import TERM_FIELDS, read_day
from shared.vocabulary import Vocabulary
from shared.words import fold_name

NAMED_FIELDS = ("day", "camera", "lens", "reel", "person", "tag")  # those whose values are rows


@dataclass(frozen=True, slots=True)
class Names:
    """What exists in one production, by field, in the order in which people are shown it."""

    known: Mapping[str, Sequence[Known]]
    _keys: Mapping[str, Mapping[str, Sequence[Key]]]  # by field and folded name

    def find(self, field: str, text: str) -> Sequence[Key] | None:
        """The rows that answer to a name; none: the database has to say what is wrong with it."""
        if keys := self._keys[field].get(fold_name(text.strip())):
            return keys
        if field == "reel":  # there are thousands, and they are never named in part
            return None
        return [one.id for one in pick_known(self.known[field], field, text)]


def read_names(session: Session, production: Production) -> Names:
    known = {field: list_known(session, production, field) for field in NAMED_FIELDS}
    return Names(known, {field: _by_name(rows) for field, rows in known.items()})


def _by_name(rows: Sequence[Known]) -> Mapping[str, Sequence[Key]]:
    keys: dict[str, list[Key]] = defaultdict(list)
    for row in rows:
        for name in dict.fromkeys(fold_name(name) for name in row.names if name):
            keys[name].append(row.id)
    return dict(keys)


def keys_of(names: Names, vocabulary: Vocabulary, field: str, value: Value) -> Sequence[Key] | None:
    """The values of a field that a query's value means. None: only the database can tell, be it that the
    value is none.
    """
    try:
        if field in TERM_FIELDS:
            return codes_of(vocabulary, field, value)
        if field == "day":
            return _days(names, value)
        if not isinstance(value, Exactly):
            return None
        if field == "media":
            return [value.text.lower()]
        return names.find(field, value.text) if field in NAMED_FIELDS else None
    except UsageError:
        return None


def _days(names: Names, value: Value) -> Sequence[Key] | None:
    if isinstance(value, Exactly):
        return names.find("day", str(read_day(value.text)))
    span = read_span(value, lambda text: (read_day(text), read_day(text)), 1)
    return [day.id for day in names.known["day"] if covers(span, int(day.names[0]))]
