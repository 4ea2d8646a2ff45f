"""The query language: what each form means, where an error points, and that text and tree agree."""

from __future__ import annotations

import datetime as dt
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.errors import QueryError, UsageError
from shared.query import (
    LONGEST_QUERY,
    MOST_TERMS,
    MOST_VALUES,
    Between,
    Beyond,
    Exactly,
    Match,
    Query,
    Term,
    Value,
    Words,
    parse_query,
    render_query,
)
from shared.query_fields import FIELDS, PRESENCE, FieldKind, read_dates, read_duration
from shared.words import BOUNDARY, fold_name, split_words

# -- meaning ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "terms"),
    [
        ("", ()),
        (" \t\n ", ()),
        ("ferry", (Words("ferry"),)),
        ("chain ferry", (Words("chain"), Words("ferry"))),
        ('"chain ferry"', (Words("chain ferry", exact=True),)),
        ('"ferry"', (Words("ferry", exact=True),)),
        ("fer*", (Words("fer", prefix=True),)),
        ('"chain fer"*', (Words("chain fer", prefix=True, exact=True),)),
        ("-ferry", (Words("ferry", negated=True),)),
        ('-"chain ferry"', (Words("chain ferry", negated=True, exact=True),)),
        ('"say ""hi"""', (Words('say "hi"', exact=True),)),
        ("AND OR NOT NEAR", tuple(map(Words, ["AND", "OR", "NOT", "NEAR"]))),
        ("C0001.MP4", (Words("C0001.MP4"),)),
        ("half-open", (Words("half-open"),)),
        ("kind:interview", (Match("kind", (Exactly("interview"),)),)),
        ("KIND:interview", (Match("kind", (Exactly("interview"),)),)),
        ("Int-Ext:int", (Match("int_ext", (Exactly("int"),)),)),
        ('kind:"piece to camera"', (Match("kind", (Exactly("piece to camera"),)),)),
        ("size:cu,ms", (Match("size", (Exactly("cu"), Exactly("ms"))),)),
        ('size:"two shot",ms', (Match("size", (Exactly("two shot"), Exactly("ms"))),)),
        ("-kind:interview", (Match("kind", (Exactly("interview"),), negated=True),)),
        ("day:2..3", (Match("day", (Between("2", "3"),)),)),
        ("day:1,3..", (Match("day", (Exactly("1"), Between("3", None))),)),
        ("rating:good..", (Match("rating", (Between("good", None),)),)),
        ("rating:..hold", (Match("rating", (Between(None, "hold"),)),)),
        ('rating:"no good"..alt', (Match("rating", (Between("no good", "alt"),)),)),
        ("duration:>30s", (Match("duration", (Beyond("30s", above=True),)),)),
        ("duration:<1.5m", (Match("duration", (Beyond("1.5m", above=False),)),)),
        ("duration:>=750f", (Match("duration", (Between("750f", None),)),)),
        ("duration:<=2h", (Match("duration", (Between(None, "2h"),)),)),
        ("rate:30000/1001", (Match("rate", (Exactly("30000/1001"),)),)),
        ("shot:2026-05-01..2026-05-03", (Match("date", (Between("2026-05-01", "2026-05-03"),)),)),
        ("note:10:20", (Match("note", (Exactly("10:20"),)),)),
        ("note:-12", (Match("note", (Exactly("-12"),)),)),
        ('name:"a*b"', (Match("name", (Exactly("a*b"),)),)),
        ("has:finding,still", (Match("has", (Exactly("finding"), Exactly("still"))),)),
        ("no:log", (Match("no", (Exactly("log"),)),)),
    ],
)
def test_text_means(text: str, terms: tuple[Term, ...]) -> None:
    assert parse_query(text) == Query(terms)


# -- errors -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "column", "words"),
    [
        ('ferry "chain', 6, "not closed"),
        ('"', 0, "not closed"),
        ('fe"rry"', 2, "does not belong here"),
        ('"chain"ferry', 7, "does not belong here"),
        ("-", 0, "a dash needs"),
        ("ferry - river", 6, "a dash needs"),
        ("--ferry", 0, "a dash needs"),
        ("*", 0, "nothing to look for"),
        ("fe*ry", 2, "a star can only end"),
        ("ferry **", 6, "a star can only end"),
        ("!!!", 0, "nothing to look for"),
        ('ferry ""', 6, "nothing to look for"),
        (":interview", 0, "there is no field ''"),
        ("ferry colour:red", 6, "there is no field 'colour'"),
        ("-colour:red", 1, "there is no field 'colour'"),
        ("10:00:00:00", 0, "there is no field '10'"),
        ("kind:", 5, "kind needs a value"),
        ("kind: interview", 5, "kind needs a value"),
        ('kind:""', 5, "kind needs a value"),
        ('note:"  "', 5, "note needs a value"),
        ("size:cu,", 8, "size needs a value"),
        ("size:cu,,ms", 8, "size needs a value"),
        ('size:cu"ms"', 7, "does not belong here"),
        ("day:..", 6, "day needs a value"),
        ("duration:>", 10, "duration needs a value"),
        ("day:two", 4, "'two' is no day"),
        ("day:1..two", 7, "'two' is no day"),
        ("date:2026-13-01", 5, "no date"),
        ("date:2026-02-30", 5, "no date"),
        ("date:1899", 5, "no date"),
        ("date:9999-12-31", 5, "no date"),
        ("date:2026-05-01,5/1", 16, "no date"),
        ("duration:>30", 10, "no length of time"),
        ("duration:1.5f", 9, "no length of time"),
        ("duration:999999999h", 9, "longer than any clip"),
        ("rate:23.97", 5, ""),
        ("rate:48000", 5, "out of range"),
        ("media:film", 6, "media has no value 'film'"),
        ("says:…", 5, "nothing to listen for"),
        ("has:luck", 4, "has has no value 'luck'"),
        ("tag:a..b", 4, "the values of tag have no order"),
        ("note:>5", 5, "the values of note have no order"),
        ("tag:fer*", 7, "a star works with plain words only"),
        ("ferry\0", 5, "can't be searched for"),
        ("note:a\x1bb", 6, "can't be searched for"),
        ("\ud800", 0, "can't be searched for"),
        ("x" * (LONGEST_QUERY + 1), LONGEST_QUERY, "longer than"),
        ("x " * (MOST_TERMS + 1), 2 * MOST_TERMS, "more than"),
        ("size:" + "cu," * MOST_VALUES + "cu", 5 + 3 * MOST_VALUES, "more than"),
    ],
)
def test_error_points_at_the_place(text: str, column: int, words: str) -> None:
    with pytest.raises(QueryError) as caught:
        parse_query(text)
    assert caught.value.column == column
    assert caught.value.query == text
    assert words in caught.value.message
    assert caught.value.remedy


def test_an_unknown_field_lists_all_fields() -> None:
    with pytest.raises(QueryError) as caught:
        parse_query("knd:interview")
    assert all(field in caught.value.message for field in FIELDS)
    assert caught.value.remedy == "Did you mean kind:?"


def test_columns_are_kept_for_later_errors() -> None:
    (first, second) = parse_query(" -ferry size:cu,ms").terms
    assert first.column == 2
    assert isinstance(second, Match)
    assert [value.column for value in second.values] == [13, 16]


# -- properties -------------------------------------------------------------------------------------

_PIECES = ["kind:", "day:", "..", "has:", "2026-05", "\0", "\ud800", *" \t\"-*:,.<>=/\\'()ab1äÄøß日🎬"]
_ALPHABET = st.sampled_from(_PIECES)
_MESS = st.lists(_ALPHABET, max_size=30).map("".join) | st.text(max_size=40)


@given(_MESS)
def test_any_text_is_a_query_or_a_query_error(text: str) -> None:
    try:
        query = parse_query(text)
    except QueryError as error:
        assert 0 <= error.column <= len(text)
        assert error.remedy
        return
    assert parse_query(render_query(query)) == query


def _usable(text: str) -> bool:
    return bool(split_words(text)) and bool(text.strip())


_CHARACTERS = st.characters(exclude_categories=("Cc", "Cs")) | st.sampled_from('"*-:,.<>= \n')
_TEXT = st.text(_CHARACTERS, min_size=1, max_size=12).filter(_usable)
_WORDS = st.builds(Words, _TEXT, st.booleans(), st.booleans(), st.booleans())


def _values_of(samples: st.SearchStrategy[str]) -> st.SearchStrategy[Value]:
    exact = st.builds(Exactly, samples)
    ends = st.tuples(samples | st.none(), samples | st.none()).filter(any)
    return exact | ends.map(lambda pair: Between(*pair)) | st.builds(Beyond, samples, st.booleans())


_SAMPLES: dict[FieldKind, st.SearchStrategy[Value]] = {
    FieldKind.TERM: _values_of(_TEXT),
    FieldKind.NAME: st.builds(Exactly, _TEXT),
    FieldKind.TEXT: st.builds(Exactly, _TEXT),
    FieldKind.SPEECH: st.builds(Exactly, _TEXT.filter(lambda text: bool(split_words(text)))),
    FieldKind.DAY: _values_of(st.integers(0, 999999).map(str)),
    FieldKind.DATE: _values_of(st.dates(dt.date(1900, 1, 1), dt.date(2999, 12, 31)).map(str)),
    FieldKind.DURATION: _values_of(
        st.from_regex(r"[0-9]{1,3}(\.[0-9]{1,3})?[smh]|[0-9]{1,9}f", fullmatch=True)
    ),
    FieldKind.RATE: _values_of(st.sampled_from(["25", "30000/1001", "23.976"])),
}


def _matches_of(name: str) -> st.SearchStrategy[Match]:
    field = FIELDS[name]
    value = _SAMPLES[field.kind] if not field.choices else st.builds(Exactly, st.sampled_from(field.choices))
    values = st.lists(value, min_size=1, max_size=3).map(tuple)
    return st.builds(Match, st.just(name), values, st.booleans())


_MATCHES = st.sampled_from(sorted(FIELDS)).flatmap(_matches_of)


@given(st.lists(_WORDS | _MATCHES, max_size=6))
def test_a_tree_written_and_read_is_the_same_tree(terms: list[Term]) -> None:
    query = Query(tuple(terms))
    assert parse_query(render_query(query)) == query


@pytest.mark.parametrize(
    ("term", "text"),
    [
        (Words("-x"), '"-x"'),
        (Words("x", exact=True), '"x"'),
        (Words("half-open"), "half-open"),
        (Words("a:b"), '"a:b"'),
        (Words("a*", prefix=True), '"a*"*'),
        (Words('say "hi"', negated=True), '-"say ""hi"""'),
        (Words("C0001.MP4", prefix=True), "C0001.MP4*"),
        (Match("rating", (Between("a.", ".b"), Exactly("c,d"))), 'rating:"a."..".b","c,d"'),
        (Match("rating", (Beyond("=a", above=True), Beyond("b", above=False))), 'rating:>"=a",<b'),
        (Match("rating", (Between(None, "a"), Between("b..c", None))), 'rating:..a,"b..c"..'),
    ],
)
def test_what_would_be_read_otherwise_is_quoted(term: Term, text: str) -> None:
    query = Query((term,))
    assert render_query(query) == text
    assert parse_query(text) == query


# -- values and words -------------------------------------------------------------------------------


def test_partial_dates_cover_their_month_and_year() -> None:
    assert read_dates("2026-05-01") == (dt.date(2026, 5, 1), dt.date(2026, 5, 1))
    assert read_dates("2028-02") == (dt.date(2028, 2, 1), dt.date(2028, 2, 29))
    assert read_dates("2026") == (dt.date(2026, 1, 1), dt.date(2026, 12, 31))


def test_durations_are_exact() -> None:
    duration = read_duration("1.25m")
    assert (duration.amount, duration.step, duration.frames) == (Fraction(75), Fraction(60, 100), False)
    assert read_duration("750f").frames


def test_every_presence_is_a_field_or_a_row() -> None:
    assert set(PRESENCE) - set(FIELDS) == {"log", "still", "moment", "timecode", "release", "transcript"}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("CLIP/C0001.MP4", ["clip", "c0001", "mp4"]),
        ("A001_C0001", ["a001", "c0001"]),
        ("Fähre", ["fahre"]),
        ("Fa\u0308hre", ["fahre"]),
        ("FÄHRE", ["fahre"]),
        ("Straße", ["strasse"]),
        ("don't", ["don", "t"]),
        ("take 🎬 two", ["take", "u1f3ac", "two"]),
        ("🎬🎬", ["u1f3ac", "u1f3ac"]),
        ("渡し船", ["渡し船"]),
        ('\0 -- "*"', []),
        (f"a{BOUNDARY}b", ["a", "b"]),
    ],
)
def test_words_of(text: str, words: list[str]) -> None:
    assert split_words(text) == words


@given(st.text())
def test_splitting_twice_changes_nothing(text: str) -> None:
    words = split_words(text)
    assert split_words(" ".join(words)) == words


def test_names_without_words_stay_apart() -> None:
    assert fold_name("Zoë  WREN") == fold_name("zoe wren")
    assert fold_name("!") != fold_name("?")


def test_a_bad_query_is_a_usage_error() -> None:
    assert issubclass(QueryError, UsageError)
