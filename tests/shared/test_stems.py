"""Words with their places, and words brought to their stem."""

from __future__ import annotations

import re
import unicodedata
from concurrent.futures import ThreadPoolExecutor

import pytest
from alembic.migration import MigrationContext
from alembic.operations import Operations
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select

from shared.migrations.versions import v0007_stems
from shared.models import ClipText
from shared.stems import ALGORITHMS, find_algorithm, stem_words
from shared.words import KNOWN, SAID, find_words, split_words
from tests.shared.shoot import Shoot


@pytest.mark.parametrize(
    ("language", "text", "stems"),
    [
        # The first four from the tables of snowballstem.org/algorithms/, english/stemmer.html and german/.
        ("en", "consistency consigned", ["consist", "consign"]),
        ("en", "knightly", ["knight"]),
        ("de", "aufeinanderfolge", ["aufeinanderfolg"]),
        ("de", "kategorischen", ["kategor"]),
        ("en", "Ferries, FERRY", ["ferri", "ferri"]),
        ("de", "Träne traene TRÄNEN trane", ["tran"] * 4),
        ("de", "Fa\u0308hre", ["fahr"]),
        ("en", "C0001.MP4 12 u2s", ["c0001", "mp4", "12", "u2s"]),
        ("en", "close-ups", ["close", "up"]),
        ("zz", "Ferries", ["ferries"]),
        ("en", "🎬", ["u1f3ac"]),
        ("en", "½ ferries", ["1", "2", "ferri"]),
    ],
)
def test_stems(language: str, text: str, stems: list[str]) -> None:
    assert stem_words(text, language) == stems


@pytest.mark.parametrize(
    ("language", "algorithm"),
    [
        ("en", "english"),
        ("EN-gb", "english"),
        ("de_AT", "german"),
        ("German", "german"),
        ("nn", "norwegian"),
        ("zz", None),
        ("", None),
        ("../x", None),
    ],
)
def test_the_algorithm_of_a_language(language: str, algorithm: str | None) -> None:
    assert find_algorithm(language) == algorithm


def test_every_algorithm_is_there() -> None:
    for language in ALGORITHMS:
        assert stem_words("ferry", language)


_TEXT = st.text(st.characters() | st.sampled_from("äß\u0308ﬁ½🎬 ferries-_"), max_size=20)


@given(_TEXT, st.sampled_from(["en", "de", "ru", "tr", "zz"]))
def test_every_word_has_its_place_and_its_stem(text: str, language: str) -> None:
    """As many places and stems as words, whatever the text, and the word is in what stands at its place."""
    places = find_words(text)
    words = split_words(text)
    assert [word for _, _, word in places] == words
    assert all(word in split_words(text[start:end]) for start, end, word in places)
    stems = stem_words(text, language)
    assert len(stems) == len(words)
    assert all(split_words(stem) == [stem] for stem in stems)


@given(_TEXT)
def test_spelling_accents_apart_changes_no_word(text: str) -> None:
    apart = unicodedata.normalize("NFD", text)
    assert split_words(apart) == split_words(text)
    assert stem_words(apart, "de") == stem_words(unicodedata.normalize("NFC", text), "de")


def test_the_marks_of_the_index_can_not_be_typed() -> None:
    assert split_words(f"a{SAID}b{KNOWN}c") == ["a", "b", "c"]


def test_threads_do_not_disturb_each_other() -> None:
    words = [f"{'abcdefghij'[n % 10]}{'xyz'[n % 3]}{'lmno'[n % 4]}ationing" for n in range(120)]
    text = " ".join(words)
    alone = [stem_words(word, "sv")[0] for word in words]
    with ThreadPoolExecutor(8) as pool:
        for stems in pool.map(lambda _: stem_words(text, "sv"), range(8)):
            assert stems == alone


def test_a_catalogue_written_without_stems_gets_them(shoot: Shoot) -> None:
    """Upgrading from the schema before stems: what is stored then is a clip's words alone."""
    session = shoot.session
    for row in session.scalars(select(ClipText)):
        row.words = re.split(f"[{SAID}{KNOWN}]", row.words)[0]
    session.flush()
    assert shoot.find("winch") == "winch"  # as it is written
    assert shoot.find("winches") == ""
    with Operations.context(MigrationContext.configure(session.connection())):
        v0007_stems.upgrade()
    session.expire_all()
    assert shoot.find("winches") == "winch"
    assert shoot.find("interviewing ada") == "ada"
    assert shoot.find('"chain winch"') == "winch"
    assert shoot.find("-winches") == "ada aerial room pilot"
