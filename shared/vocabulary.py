"""The log's controlled vocabulary: which words a clip may carry, and every spelling that finds them.

The words stand in `vocabulary.toml` beside this file; a production adds its own with
`Vocabulary.extended`. Nothing is read at import: the composition root calls `load_vocabulary` once
and passes the result down.
"""

from __future__ import annotations

import difflib
import re
import tomllib
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, field
from importlib import resources

from shared.errors import AppError, ConflictError, UsageError

_CODE = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_LONGEST_CODE = 24  # a code is typed in queries and printed under a still
_LONGEST_ECHO = 60  # of what was typed, in an error and in the search for something near it

# Characters that never tell two terms apart: blanks, hyphens and dashes, dots, underscores, slashes,
# apostrophes, invisible characters, and the accents that NFKD splits off Latin, Greek and Cyrillic letters.
_IGNORED = " \t\n\r\v\f-._/'\\`´‘’‐‑‒–—−\u00ad\u2028\u2029\u200b\u200c\u200d\u2060\ufeff"
_DROP: dict[int, None] = dict.fromkeys([*map(ord, _IGNORED), *range(0x0300, 0x0370)])


def fold(text: str) -> str:
    """Return the form under which names are compared; may be empty. Folding twice changes nothing."""
    if text.isascii():  # nearly every query; the long way gives the same
        return text.translate(_DROP).lower()
    return unicodedata.normalize("NFKD", text).translate(_DROP).casefold()


@dataclass(frozen=True, slots=True)
class Term:
    """One word of one field. `rank` orders the terms of a ranked field, higher is better, else None."""

    field: str
    code: str
    label: str
    definition: str
    aliases: tuple[str, ...] = ()
    rank: int | None = None

    def __str__(self) -> str:
        return f"{self.code} ({self.label})"


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """All terms, in the order in which people should be shown them.

    Raises UsageError for a term that is not well formed, ConflictError when two terms of one field
    answer to the same name.
    """

    all_terms: tuple[Term, ...]
    _by_field: dict[str, tuple[Term, ...]] = field(init=False, repr=False, compare=False)
    _by_name: dict[str, dict[str, Term]] = field(init=False, repr=False, compare=False)
    _fields: dict[str, str] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        fields = dict.fromkeys(term.field for term in self.all_terms)
        grouped = {name: tuple(term for term in self.all_terms if term.field == name) for name in fields}
        object.__setattr__(self, "_by_field", grouped)
        object.__setattr__(self, "_by_name", {name: _index(terms) for name, terms in grouped.items()})
        object.__setattr__(self, "_fields", {fold(name): name for name in fields})

    def fields(self) -> tuple[str, ...]:
        return tuple(self._by_field)

    def terms(self, field: str) -> tuple[Term, ...]:
        """Raises UsageError, listing the fields, for a field that does not exist."""
        return self._by_field[self._field(field)]

    def resolve(self, field: str, text: str) -> Term:
        """Find a term by code, label or alias, whatever the case, punctuation and accents.

        Raises UsageError that lists the fields, or the terms of the field and those nearest to `text`.
        """
        names = self._by_name[self._field(field)]
        term = names.get(fold(text))
        if term is None:
            raise self._unknown_value(self._field(field), text)
        return term

    def extended(self, terms: Iterable[Term]) -> Vocabulary:
        """Return a vocabulary with a production's own terms after the present ones of each field.

        Raises ConflictError when a term takes a name already in use, UsageError for a term that is
        not well formed or whose field does not exist.
        """
        added = tuple(terms)
        for term in added:
            if term.field not in self._by_field:
                raise self._unknown_field(term.field)
        return Vocabulary((*self.all_terms, *added))

    def _field(self, name: str) -> str:
        known = name if name in self._by_field else self._fields.get(fold(name))
        if known is None:
            raise self._unknown_field(name)
        return known

    def _unknown_field(self, name: str) -> UsageError:
        near = difflib.get_close_matches(fold(name)[:_LONGEST_ECHO], self._fields, n=1)
        return UsageError(
            f"there is no field {_echo(name)}; the fields are: {', '.join(self._by_field)}",
            remedy=f"Did you mean {self._fields[near[0]]}?" if near else "Choose one of these.",
        )

    def _unknown_value(self, field: str, text: str) -> UsageError:
        names = self._by_name[field]
        near = difflib.get_close_matches(fold(text)[:_LONGEST_ECHO], names, n=3)
        suggested = dict.fromkeys(str(names[name]) for name in near)  # aliases of one term count once
        return UsageError(
            f"{field} has no term {_echo(text)}; its terms are: {', '.join(map(str, self._by_field[field]))}",
            remedy=f"Did you mean {' or '.join(suggested)}?" if suggested else "Choose one of these.",
        )


def load_vocabulary() -> Vocabulary:
    """Read the vocabulary that comes with the program. The caller keeps the result."""
    file = resources.files("shared").joinpath("vocabulary.toml")
    return parse_vocabulary(file.read_text(encoding="utf-8"), source=file.name)


def parse_vocabulary(text: str, *, source: str) -> Vocabulary:
    """Read terms written as `vocabulary.toml` is; `source` is the file's name, for errors.

    Raises UsageError or ConflictError, both naming `source`, as `Vocabulary` does or when the text is
    no such file.
    """
    try:
        tables = tomllib.loads(text)
        return Vocabulary(tuple(term for name, rows in tables.items() for term in _read_terms(name, rows)))
    except tomllib.TOMLDecodeError as error:
        raise UsageError(f"not valid TOML: {error}", path=source, remedy="Correct the file.") from error
    except AppError as error:
        error.path = source
        raise


def _read_terms(name: str, rows: object) -> Iterable[Term]:
    if not isinstance(rows, dict):
        raise UsageError(f"{name} is not a table", remedy=f"Write the terms under [{name}].")
    for code, row in rows.items():
        match row:
            case {"label": str(label), "definition": str(definition), "aliases": list(aliases), **rest} if (
                all(isinstance(alias, str) for alias in aliases)
                and rest.keys() <= {"rank"}
                and isinstance(rank := rest.get("rank"), int | None)
                and not isinstance(rank, bool)  # which is an int too
            ):
                yield Term(name, code, label, definition, tuple(aliases), rank)
            case _:
                raise UsageError(
                    f"{name}.{code} is not a term",
                    remedy="Give it label and definition (texts), aliases (a list of texts), and "
                    "rank (a whole number) if the field is ranked; nothing else.",
                )


def _index(terms: tuple[Term, ...]) -> dict[str, Term]:
    """Map every folded name of one field's terms to its term."""
    index: dict[str, Term] = {}
    for term in terms:
        _check(term, ranked=terms[0].rank is not None)
        for name in dict.fromkeys(map(fold, (term.code, term.label, *term.aliases))):
            if name in index:
                raise ConflictError(
                    f"{term.field}: {name!r} would name both {index[name]} and {term}",
                    remedy=f"Give {term.code} another code, label or alias.",
                )
            index[name] = term
    return index


def _check(term: Term, *, ranked: bool) -> None:
    if len(term.code) > _LONGEST_CODE or not _CODE.fullmatch(term.code):
        problem = "is no code"
        remedy = f"Use at most {_LONGEST_CODE} lower-case letters a to z and digits, joined by hyphens."
    elif not all(map(fold, (term.label, term.definition, *term.aliases))):
        problem, remedy = "has an empty label, definition or alias", "Write it, or leave the alias out."
    elif (term.rank is not None) != ranked:
        problem = f"has {'no' if ranked else 'a'} rank"
        remedy = "Either all terms of a field have a rank or none."
    else:
        return
    raise UsageError(f"{term.field}: {_echo(term.code)} {problem}", remedy=remedy)


def _echo(text: str) -> str:
    """Quote what was typed, shortened, with control characters shown and not sent to the terminal."""
    return repr(text if len(text) <= _LONGEST_ECHO else text[: _LONGEST_ECHO - 1] + "…")
