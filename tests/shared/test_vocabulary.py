"""The vocabulary: what it must hold, that every spelling finds its term, and what it refuses.

Which terms must exist is common trade usage (common practice, no source), written out here.
"""

from __future__ import annotations

import dataclasses
import pickle
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.errors import ConflictError, UsageError
from shared.vocabulary import Term, Vocabulary, fold, load_vocabulary, parse_vocabulary

# Common practice, no source.
REQUIRED = {
    "kind": "interview vox-pop observed b-roll a-roll establishing cutaway insert reaction sequence "
    "piece-to-camera re-enactment archive still document timelapse slow-motion transition plate test ng "
    "room-tone wild-track ambience narration scratch-narration music sound",
    "size": "els ls fs mls ms mcu cu bcu ecu insert two-shot three-shot ots pov",
    "angle": "eye high low overhead ground dutch profile frontal three-quarter reverse aerial",
    "movement": "static pan tilt roll zoom push-in pull-out truck pedestal arc follow lead reveal whip rack "
    "fly-over rise top-down",
    "support": "tripod monopod handheld shoulder gimbal slider jib vehicle drone static-mount",
    "audio": "lav boom on-camera plant stereo-ambience recorder-mix iso safety line-feed mos none",
    "rating": "circled good alt hold ng",
    "reason": "focus exposure sound framing content consent technical",
    "int_ext": "int ext int-ext",
    "time_of_day": "dawn day dusk night",
    "direction": "l-r r-l towards away look-left look-right",
    "sync": "sync non-sync",
    "sensitive": "child hide-face secret-place",
}

# Words that crews use in different senses: the definition has to say so. Common practice, no source.
CONTESTED = {
    "kind": "vox-pop observed b-roll insert room-tone ambience",
    "size": "ls fs mls mcu cu bcu",
    "angle": "overhead three-quarter",
    "movement": "roll push-in pull-out truck pedestal",
    "support": "tripod",
    "audio": "mos",
    "rating": "circled",
}

# What people type. Common practice, no source.
SPELLINGS = [
    ("size", "close-up", "cu"),
    ("size", "close up", "cu"),
    ("size", "closeup", "cu"),
    ("size", "C.U.", "cu"),
    ("size", "XCU", "ecu"),
    ("size", "EWS", "els"),
    ("size", "WS", "ls"),
    ("size", "MWS", "mls"),
    ("size", "cowboy", "mls"),
    ("size", "plan americain", "mls"),
    ("size", "Plan Américain", "mls"),
    ("size", "2S", "two-shot"),
    ("size", "Over the Shoulder", "ots"),
    ("size", "O/S", "ots"),
    ("angle", "bird’s eye", "overhead"),
    ("angle", "birds-eye", "overhead"),
    ("angle", "3/4", "three-quarter"),
    ("movement", "locked off", "static"),
    ("movement", "dolly_in", "push-in"),
    ("movement", "crab", "truck"),
    ("movement", "orbit", "arc"),
    ("movement", "whip‑pan", "whip"),
    ("support", "sticks", "tripod"),
    ("support", "hand-held", "handheld"),
    ("kind", "broll", "b-roll"),
    ("kind", "verite", "observed"),
    ("kind", "Vérité", "observed"),
    ("kind", "fly on the wall", "observed"),
    ("kind", "noddy", "reaction"),
    ("kind", "stand-up", "piece-to-camera"),
    ("kind", "third party", "archive"),
    ("kind", "buzz track", "room-tone"),
    ("kind", "nat. sound", "ambience"),
    ("audio", "shotgun", "boom"),
    ("audio", "none", "none"),
    ("rating", "select", "circled"),
    ("rating", "N.G.", "ng"),
    ("rating", "maybe", "hold"),
    ("int_ext", "INT/EXT", "int-ext"),
    ("direction", "L-R", "l-r"),
    ("direction", "right to left", "r-l"),
    ("direction", "L→R", "l-r"),
    ("sync", "nonsync", "non-sync"),
    ("sensitive", "face to hide", "hide-face"),
    ("sensitive", "location secret", "secret-place"),
]

WORD = Term("kind", "winch", "Winch work", "Hands at the winch.", ("winching",))


@pytest.fixture(scope="module")
def vocabulary() -> Vocabulary:
    return load_vocabulary()


def test_the_fields_are_the_logs_fields(vocabulary: Vocabulary) -> None:
    assert vocabulary.fields() == tuple(REQUIRED)


@pytest.mark.parametrize("field", REQUIRED)
def test_every_required_term_is_there(vocabulary: Vocabulary, field: str) -> None:
    codes = [term.code for term in vocabulary.terms(field)]
    assert set(REQUIRED[field].split()) <= set(codes)
    assert len(codes) == len(set(codes))


def test_every_name_finds_its_own_term_and_no_other(vocabulary: Vocabulary) -> None:
    owners: dict[tuple[str, str], set[str]] = {}
    for term in vocabulary.all_terms:
        for name in (term.code, term.label, *term.aliases):
            for typed in (name, name.upper(), name.replace("-", " "), f" {name}. ", name.replace(" ", "_")):
                assert vocabulary.resolve(term.field, typed) is term, (term.field, typed)
            owners.setdefault((term.field, fold(name)), set()).add(term.code)
    assert {name: codes for name, codes in owners.items() if len(codes) > 1} == {}


def test_every_alias_is_written_once(vocabulary: Vocabulary) -> None:
    for term in vocabulary.all_terms:
        aliases = [fold(alias) for alias in term.aliases]
        assert len(aliases) == len(set(aliases) - {fold(term.code), fold(term.label)}), term


def test_every_definition_is_one_sentence_and_no_two_are_alike(vocabulary: Vocabulary) -> None:
    definitions = [term.definition for term in vocabulary.all_terms]
    for text in definitions:
        assert text[0].isupper() and text.endswith(".") and ". " not in text, text
    assert len(definitions) == len(set(definitions))


def test_contested_terms_say_that_usage_differs(vocabulary: Vocabulary) -> None:
    found: dict[str, set[str]] = {}
    for term in vocabulary.all_terms:
        if "usage differs: " in term.definition:
            found.setdefault(term.field, set()).add(term.code)
    assert found == {field: set(codes.split()) for field, codes in CONTESTED.items()}


@pytest.mark.parametrize(("field", "typed", "code"), SPELLINGS)
def test_what_people_type(vocabulary: Vocabulary, field: str, typed: str, code: str) -> None:
    assert vocabulary.resolve(field, typed).code == code


def test_ratings_are_ranked_and_nothing_else_is(vocabulary: Vocabulary) -> None:
    ranks = {term.code: term.rank for term in vocabulary.terms("rating") if term.rank is not None}
    assert sorted(ranks, key=lambda code: ranks[code]) == ["ng", "hold", "alt", "good", "circled"]
    assert len(set(ranks.values())) == 5
    assert {term.field for term in vocabulary.all_terms if term.rank is not None} == {"rating"}


def test_a_field_may_be_typed_in_another_way(vocabulary: Vocabulary) -> None:
    assert vocabulary.resolve("INT-EXT", "outside").field == "int_ext"
    assert vocabulary.terms("Time of day") == vocabulary.terms("time_of_day")


def test_unknown_value_lists_what_exists_and_suggests(vocabulary: Vocabulary) -> None:
    with pytest.raises(UsageError) as caught:
        vocabulary.resolve("size", "clsoe up")
    for term in vocabulary.terms("size"):
        assert f"{term.code} ({term.label})" in caught.value.message
    assert "'clsoe up'" in caught.value.message
    assert caught.value.remedy is not None and caught.value.remedy.startswith("Did you mean cu (Close-up)")


@pytest.mark.parametrize("typed", ["", " - ", "\u0301", "zzzzzzzz", "川"])
def test_unknown_value_with_nothing_near(vocabulary: Vocabulary, typed: str) -> None:
    with pytest.raises(UsageError, match=r"rating has no term .* circled") as caught:
        vocabulary.resolve("rating", typed)
    assert caught.value.remedy == "Choose one of these."


def test_a_hostile_value_is_shown_short_and_escaped(vocabulary: Vocabulary) -> None:
    with pytest.raises(UsageError) as caught:
        vocabulary.resolve("sync", "\x1b[2J\u202e" + "x" * 1_000_000)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 300


def test_a_word_of_another_field_is_unknown(vocabulary: Vocabulary) -> None:
    with pytest.raises(UsageError, match="size has no term 'gimbal'"):
        vocabulary.resolve("size", "gimbal")


@pytest.mark.parametrize("field", ["sise", "", "lens"])
def test_unknown_field_lists_the_fields(vocabulary: Vocabulary, field: str) -> None:
    for ask in (lambda: vocabulary.resolve(field, "cu"), lambda: vocabulary.terms(field)):
        with pytest.raises(UsageError, match=f"no field '{field}'") as caught:
            ask()
        assert ", ".join(REQUIRED) in caught.value.message
    if field == "sise":
        assert caught.value.remedy == "Did you mean size?"


def test_extension_adds_after_and_leaves_the_first_alone(vocabulary: Vocabulary) -> None:
    extended = vocabulary.extended([WORD])
    assert extended.resolve("kind", "WINCHING") is WORD
    assert extended.terms("kind") == (*vocabulary.terms("kind"), WORD)
    assert extended.terms("size") == vocabulary.terms("size")
    with pytest.raises(UsageError, match="no term 'winch'"):
        vocabulary.resolve("kind", "winch")


def test_extension_may_place_a_rating_between_two(vocabulary: Vocabulary) -> None:
    term = Term("rating", "trailer", "For the trailer", "Better than good.", rank=45)
    extended = vocabulary.extended([term])
    good, circled = (extended.resolve("rating", code).rank for code in ("good", "circled"))
    assert good is not None and circled is not None and good < 45 < circled


@pytest.mark.parametrize(
    "changes",
    [
        {"code": "interview"},
        {"label": "B ROLL"},
        {"aliases": ("winching", "Verite")},
    ],
)
def test_extension_refuses_a_name_in_use(vocabulary: Vocabulary, changes: dict[str, str]) -> None:
    with pytest.raises(ConflictError, match="would name both"):
        vocabulary.extended([dataclasses.replace(WORD, **changes)])  # type: ignore[arg-type]


def test_extension_refuses_two_new_terms_with_one_name(vocabulary: Vocabulary) -> None:
    with pytest.raises(ConflictError, match=r"'winch' would name both winch \(Winch work\)"):
        vocabulary.extended([WORD, dataclasses.replace(WORD, label="Other", aliases=())])


@pytest.mark.parametrize(
    ("term", "says"),
    [
        (Term("mood", "sad", "Sad", "Sad."), "no field 'mood'"),
        (dataclasses.replace(WORD, code="Winch"), "'Winch' is no code"),
        (dataclasses.replace(WORD, code="winch_work"), "'winch_work' is no code"),
        (dataclasses.replace(WORD, code="spil-på"), "'spil-på' is no code"),
        (dataclasses.replace(WORD, code="-winch"), "'-winch' is no code"),
        (dataclasses.replace(WORD, code="winch\n"), r"'winch\\n' is no code"),
        (dataclasses.replace(WORD, code="w" * 25), "is no code"),
        (dataclasses.replace(WORD, code=""), "'' is no code"),
        (dataclasses.replace(WORD, label=" "), "empty label, definition or alias"),
        (dataclasses.replace(WORD, definition=""), "empty label, definition or alias"),
        (dataclasses.replace(WORD, aliases=("...",)), "empty label, definition or alias"),
        (dataclasses.replace(WORD, rank=3), "'winch' has a rank"),
        (dataclasses.replace(WORD, field="rating"), "'winch' has no rank"),
    ],
)
def test_extension_refuses_a_malformed_term(vocabulary: Vocabulary, term: Term, says: str) -> None:
    with pytest.raises(UsageError, match=says) as caught:
        vocabulary.extended([term])
    assert caught.value.remedy


GOOD = '[size]\ncu = { label = "Close-up", definition = "Near.", aliases = ["close"] }\n'


def test_a_file_is_read_as_written() -> None:
    vocabulary = parse_vocabulary(GOOD, source="own.toml")
    assert vocabulary.all_terms == (Term("size", "cu", "Close-up", "Near.", ("close",), None),)


@pytest.mark.parametrize(
    ("text", "error", "says"),
    [
        ("[size", UsageError, "not valid TOML"),
        (GOOD + GOOD, UsageError, "not valid TOML"),
        ("size = 3", UsageError, "size is not a table"),
        ("[size]\ncu = 3", UsageError, "size.cu is not a term"),
        (GOOD.replace(', aliases = ["close"]', ""), UsageError, "size.cu is not a term"),
        (GOOD.replace('"close"', "1"), UsageError, "size.cu is not a term"),
        (GOOD.replace('["close"]', '"close"'), UsageError, "size.cu is not a term"),
        (GOOD.replace(" }", ", rank = 1.5 }"), UsageError, "size.cu is not a term"),
        (GOOD.replace(" }", ", rank = true }"), UsageError, "size.cu is not a term"),
        (GOOD.replace(" }", ", colour = 1 }"), UsageError, "size.cu is not a term"),
        (GOOD.replace("Near.", ""), UsageError, "empty label, definition or alias"),
        (GOOD + GOOD[7:].replace("cu", "close"), ConflictError, "'close' would name both cu"),
    ],
)
def test_a_bad_file_is_refused_by_name(text: str, error: type[UsageError], says: str) -> None:
    with pytest.raises(error, match=says) as caught:
        parse_vocabulary(text, source="own.toml")
    assert str(caught.value).startswith("own.toml: ")
    assert caught.value.remedy


def test_a_vocabulary_is_immutable_and_travels_to_another_process(vocabulary: Vocabulary) -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        vocabulary.all_terms = ()  # type: ignore[misc]
    with pytest.raises(dataclasses.FrozenInstanceError):
        vocabulary.terms("size")[0].code = "x"  # type: ignore[misc]
    again = pickle.loads(pickle.dumps(vocabulary))
    assert again == vocabulary
    assert again.resolve("size", "close up").code == "cu"


def test_import_reads_no_file() -> None:
    code = (
        "import sys\n"
        "opened = []\n"
        "sys.addaudithook(lambda event, args: opened.append(str(args[0])) if event == 'open' else None)\n"
        "import shared.vocabulary\n"
        "assert not [name for name in opened if name.endswith('.toml')], opened\n"
        "shared.vocabulary.load_vocabulary()\n"
        "assert [name for name in opened if name.endswith('vocabulary.toml')], opened\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


@given(st.text())
def test_fold_is_stable(text: str) -> None:
    assert fold(fold(text)) == fold(text)


@given(st.text(alphabet=st.characters(max_codepoint=127)))
def test_fold_takes_the_short_way_to_the_same_place(text: str) -> None:
    assert fold(text) == fold(text + "\u00ad")  # the soft hyphen forces the long way and is then ignored


@pytest.mark.parametrize(
    ("left", "right"),
    [("é", "e"), ("E\u0301", "e"), ("Straße", "STRASSE"), ("Cu", "cu"), ("ＣＵ", "cu"), ("a\u00a0b", "a b")],
)
def test_fold_joins(left: str, right: str) -> None:
    assert fold(left) == fold(right)


@pytest.mark.parametrize(("left", "right"), [("が", "か"), ("ø", "o"), ("l>r", "r>l"), ("c+u", "cu")])
def test_fold_keeps_apart(left: str, right: str) -> None:
    assert fold(left) != fold(right)
