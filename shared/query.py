"""The query language: text to a frozen tree, and the tree back to text.

    query  := term*                                  all of them must hold
    term   := ["-"] (words | field ":" values)       a dash in front: must not hold
    words  := word ["*"]                             in any of its forms; a star: how it begins
            | quoted ["*"]                           exactly these, in this order
    values := value ("," value)*                     any of them
    value  := text | [text] ".." [text] | ("<" | ">" | "<=" | ">=") text
    quoted := a text between double quotation marks, where two of them stand for one

Fields are those of `shared/query_fields.py`. Whether a value exists in a production is checked
where the query is carried out, with the columns kept here.
"""

from __future__ import annotations

import dataclasses
import difflib
import re
from dataclasses import dataclass
from typing import NoReturn

from shared.errors import QueryError, UsageError
from shared.query_fields import FIELDS, OTHER_NAMES, QueryField, check_value
from shared.words import find_unusable, show_short, split_words

LONGEST_QUERY = 4000  # characters
MOST_TERMS = 64
MOST_VALUES = 32  # of one term


@dataclass(frozen=True, slots=True)
class Words:
    """Words that stand together in this order. `prefix`: the last one may be only a beginning.

    `exact`: in this form alone, as between quotation marks; so are all that can't be written without them.
    """

    text: str
    prefix: bool = False
    negated: bool = False
    exact: bool = False
    column: int = dataclasses.field(default=0, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "exact", self.exact or not _plain_word(self.text))


@dataclass(frozen=True, slots=True)
class Exactly:
    text: str
    column: int = dataclasses.field(default=0, compare=False)


@dataclass(frozen=True, slots=True)
class Between:
    """Both ends belong to it; a missing end is open."""

    low: str | None
    high: str | None
    column: int = dataclasses.field(default=0, compare=False)


@dataclass(frozen=True, slots=True)
class Beyond:
    """Above or below a value, which does not belong to it."""

    text: str
    above: bool
    column: int = dataclasses.field(default=0, compare=False)


Value = Exactly | Between | Beyond


@dataclass(frozen=True, slots=True)
class Match:
    """A field that has any of these values."""

    field: str
    values: tuple[Value, ...]
    negated: bool = False
    column: int = dataclasses.field(default=0, compare=False)


Term = Words | Match


@dataclass(frozen=True, slots=True)
class Query:
    """Terms that must all hold; none at all: everything. `text` is what was typed, for errors."""

    terms: tuple[Term, ...] = ()
    text: str = dataclasses.field(default="", compare=False)


def parse_query(text: str) -> Query:
    """Read a query. Raises QueryError, and nothing else, with the column and what is allowed there."""
    reader = _Reader(text)
    if len(text) > LONGEST_QUERY:
        reader.fail(f"the query is longer than {LONGEST_QUERY} characters", LONGEST_QUERY, "Shorten it.")
    if (place := find_unusable(text)) is not None:
        reader.fail(f"{text[place]!r} can't be searched for", place, "Leave this character out.")
    terms: list[Term] = []
    while reader.skip_blanks():
        if len(terms) == MOST_TERMS:
            reader.fail(f"the query has more than {MOST_TERMS} terms", reader.at, "Leave some out.")
        terms.append(_read_term(reader))
    return Query(tuple(terms), text)


def render_query(query: Query) -> str:
    """The query as text; parsing it gives the same query."""
    return " ".join(map(_render_term, query.terms))


# -- reading ---------------------------------------------------------------------------------------


_BLANKS = re.compile(r"\s*")
_WORD = re.compile(r'[^\s":]*')
_QUOTED = re.compile(r'"((?:[^"]|"")*)"')
_BARE_VALUE = re.compile(r'(?:(?!\.\.)[^\s,"])*')
_SIGN = re.compile(r"[<>]=?")


@dataclass(slots=True)
class _Reader:
    """A place in a text."""

    text: str
    at: int = 0

    def skip_blanks(self) -> bool:
        self.take(_BLANKS)
        return self.at < len(self.text)

    def take(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self.text, self.at)
        if found is None:
            return ""
        self.at = found.end()
        return found[0]

    def take_text(self, text: str) -> bool:
        if not self.text.startswith(text, self.at):
            return False
        self.at += len(text)
        return True

    def peek(self) -> str:
        return self.text[self.at : self.at + 1]

    def at_end(self) -> bool:
        return self.peek() == "" or self.peek().isspace()

    def take_quoted(self) -> str:
        start = self.at
        found = self.take(_QUOTED)
        if not found:
            self.fail("a quotation mark is not closed", start, 'Close it with another ".')
        return found[1:-1].replace('""', '"')

    def expect_end(self, allowed: str) -> None:
        if not self.at_end():
            rest = show_short(self.text[self.at :].split(maxsplit=1)[0])
            self.fail(f"{rest} does not belong here", self.at, f"Allowed here: {allowed}.")

    def fail(self, message: str, column: int, remedy: str | None) -> NoReturn:
        raise QueryError(message, query=self.text, column=column, remedy=remedy)


def _read_term(reader: _Reader) -> Term:
    column = reader.at
    negated = reader.take_text("-")
    if negated and (reader.at_end() or reader.peek() == "-"):
        reader.fail("a dash needs one term right after it", column, "Write -word or -kind:interview.")
    start = reader.at
    if reader.peek() == '"':
        text = reader.take_quoted()
        prefix = reader.take_text("*")
        reader.expect_end("a blank")
        return _make_words(reader, Words(text, prefix, negated, exact=True, column=start))
    word = reader.take(_WORD)
    if reader.take_text(":"):
        name = _read_field(reader, word, start)
        return Match(name.name, _read_values(reader, name), negated, column)
    reader.expect_end("a blank, or the whole text in quotation marks")
    prefix = word.endswith("*")
    text = word.removesuffix("*")
    if "*" in text:
        reader.fail(
            "a star can only end a word", start + text.index("*"), "Write fer* for ferry and ferries."
        )
    return _make_words(reader, Words(text, prefix, negated, column=start))


def _make_words(reader: _Reader, words: Words) -> Words:
    if not split_words(words.text):
        reader.fail(
            f"there is nothing to look for in {show_short(words.text)}",
            words.column,
            "Write a word with a letter or a digit.",
        )
    return words


def _read_field(reader: _Reader, word: str, column: int) -> QueryField:
    name = word.lower().replace("-", "_")
    known = FIELDS.get(OTHER_NAMES.get(name, name))
    if known is None:
        near = difflib.get_close_matches(name[:60], FIELDS, n=1)
        reader.fail(
            f"there is no field {show_short(word)}; the fields are: {', '.join(FIELDS)}",
            column,
            f"Did you mean {near[0]}:?"
            if near
            else "To look for the text itself, put it in quotation marks.",
        )
    return known


def _read_values(reader: _Reader, name: QueryField) -> tuple[Value, ...]:
    values = [_read_value(reader, name)]
    while reader.take_text(","):
        if len(values) == MOST_VALUES:
            reader.fail(f"{name.name} has more than {MOST_VALUES} values", reader.at, "Leave some out.")
        values.append(_read_value(reader, name))
    reader.expect_end("a comma and another value, or a blank")
    return tuple(values)


def _read_value(reader: _Reader, name: QueryField) -> Value:
    column = reader.at
    sign = reader.take(_SIGN)
    low = _read_text(reader, name)
    if sign:
        value: Value | None = _compare(sign, low, column) if low is not None else None
    elif reader.take_text(".."):
        high = _read_text(reader, name)
        value = Between(low, high, column) if low is not None or high is not None else None
    else:
        value = Exactly(low, column) if low is not None else None
    if value is None:
        reader.fail(f"{name.name} needs a value here", reader.at, f"Like this: {name.help}.")
    if not (isinstance(value, Exactly) or name.ordered):
        reader.fail(
            f"the values of {name.name} have no order",
            column,
            "List them with commas. To mean the characters themselves, put the value in quotation marks.",
        )
    return value


def _compare(sign: str, text: str, column: int) -> Value:
    if sign == ">=":
        return Between(text, None, column)
    if sign == "<=":
        return Between(None, text, column)
    return Beyond(text, above=sign == ">", column=column)


def _read_text(reader: _Reader, name: QueryField) -> str | None:
    """One value's text, checked as far as the field alone allows; None: there is no text here."""
    column = reader.at
    if reader.peek() == '"':
        text = reader.take_quoted()
        if not text.strip():
            reader.fail(f"{name.name} needs a value here", column, f"Like this: {name.help}.")
    else:
        text = reader.take(_BARE_VALUE)
        if "*" in text:
            reader.fail(
                "a star works with plain words only",
                column + text.index("*"),
                "Leave it out, or put the value in quotation marks to mean the star itself.",
            )
        if not text:
            return None
    try:
        check_value(name, text)
    except UsageError as error:
        reader.fail(error.message, column, error.remedy)
    return text


# -- writing ---------------------------------------------------------------------------------------


def _render_term(term: Term) -> str:
    dash = "-" if term.negated else ""
    if isinstance(term, Words):
        text = _in_marks(term.text) if term.exact else term.text
        return dash + text + ("*" if term.prefix else "")
    return f"{dash}{term.field}:" + ",".join(map(_render_value, term.values))


def _render_value(value: Value) -> str:
    if isinstance(value, Exactly):
        return _write_value(value.text)
    if isinstance(value, Beyond):
        return (">" if value.above else "<") + _write_value(value.text)
    ends = ("" if end is None else _write_value(end) for end in (value.low, value.high))
    return "..".join(ends)


def _plain_word(text: str) -> bool:
    plain = text != "" and "*" not in text and not text.startswith("-")
    return plain and _WORD.fullmatch(text) is not None


def _plain_value(text: str) -> bool:
    return (
        _BARE_VALUE.fullmatch(text) is not None
        and "*" not in text
        and not text.startswith(("<", ">", "=", "."))
        and not text.endswith(".")
    )


def _write_value(text: str) -> str:
    return text if text and _plain_value(text) else _in_marks(text)


def _in_marks(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'
