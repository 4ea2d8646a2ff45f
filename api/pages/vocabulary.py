"""The log's fields as pages offer them, and which key stands for which term."""

from __future__ import annotations

import string
from collections.abc import Sequence
from dataclasses import dataclass

from shared.query_fields import TERM_FIELDS
from shared.vocabulary import Term, Vocabulary

# What is asked of every clip in turn; the rest can be lit by its number.
ROUND = ("kind", "size", "angle", "movement", "rating")
TEXTS = (("subject", "Subject"), ("place", "Place"), ("scene", "Scene"), ("note", "Note"))
NAMES = (("people", "People"), ("tags", "Tags"))
# Letters first, since every layout has them; capitals where a field has more terms than letters.
_KEYS = string.ascii_lowercase + string.ascii_uppercase


@dataclass(frozen=True, slots=True)
class FieldView:
    """`terms`: code, label, definition and key of each."""

    name: str
    label: str
    terms: tuple[tuple[str, str, str, str], ...]


def say_field(field: str) -> str:
    return {"int_ext": "Inside or outside"}.get(field, field.replace("_", " ").capitalize())


def log_fields(vocabulary: Vocabulary) -> list[FieldView]:
    """Fields of terms: those that are asked of every clip first."""
    rest = [name for name in TERM_FIELDS if name not in ROUND]
    return [_view(name, vocabulary.terms(name)) for name in (*ROUND, *rest)]


def _view(name: str, terms: Sequence[Term]) -> FieldView:
    keys = choose_keys([term.label for term in terms])
    return FieldView(
        name,
        say_field(name),
        tuple((term.code, term.label, term.definition, key) for term, key in zip(terms, keys, strict=True)),
    )


def choose_keys(labels: Sequence[str]) -> list[str]:
    """One key for each label, no two alike: a letter that its words begin with where that is free, else one
    of its letters, else any; empty beyond 52. The same labels always get the same keys.
    """
    keys: list[str] = []
    for label in labels:
        folded = [one for one in label.lower() if one in string.ascii_lowercase]
        starts = [word[0] for word in label.lower().split() if word[0] in string.ascii_lowercase]
        wanted = (*starts, *folded, *_KEYS)
        keys.append(next((key for key in wanted if key not in keys), ""))
    return keys
