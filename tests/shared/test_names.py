"""Names as cards have them: what is shown, what collides, what other drives and XML can't carry."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from shared.names import display, fold, unportable, xml_safe

NAMES = st.one_of(st.binary(max_size=40), st.text(max_size=20).map(lambda t: t.encode("utf-8", "replace")))


# -- display ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("raw", "shown"),
    [
        (b"DCIM/100CLIPS/C0001.MP4", "DCIM/100CLIPS/C0001.MP4"),
        ("Fähre Øst 🎬 日本.mov".encode(), "Fähre Øst 🎬 日本.mov"),
        (b" two  spaces ", " two  spaces "),
        (b"", ""),
        (b"line\nbreak", r"line\u000abreak"),
        (b"tab\there", r"tab\u0009here"),
        (b"\x1b[31mred", r"\u001b[31mred"),
        (b"caf\xe9.mp4", r"caf\xe9.mp4"),
        (b"back\\slash", r"back\\slash"),
        (rb"not \xe9", r"not \\xe9"),
        ("fdp.\u202e4pm".encode(), r"fdp.\u202e4pm"),
        ("a\u2028b".encode(), r"a\u2028b"),
        ("a\u00a0b".encode(), r"a\u00a0b"),
        ("tag\U000e0041".encode(), r"tag\U000e0041"),
        (b"\xed\xa0\x80", r"\xed\xa0\x80"),  # a lone surrogate is no UTF-8 (RFC 3629, section 3)
    ],
)
def test_a_name_is_shown_on_one_line(raw: bytes, shown: str) -> None:
    assert display(raw) == shown


@given(NAMES)
def test_what_is_shown_can_always_be_printed(raw: bytes) -> None:
    shown = display(raw)
    assert shown.isprintable()
    shown.encode("utf-8")  # no surrogate is left: it can be stored, sent and printed


@given(NAMES, NAMES)
def test_no_two_names_are_shown_alike(one: bytes, other: bytes) -> None:
    assert (display(one) == display(other)) == (one == other)


@given(NAMES)
def test_a_name_is_not_shown_as_its_own_escape(raw: bytes) -> None:
    """The nearest pair there is: a name, and the name that spells how the first is shown."""
    pretender = display(raw).encode()
    assert raw == pretender or display(pretender) != display(raw)


# -- fold -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("C0001.MP4", "c0001.mp4"),
        ("Fähre", unicodedata.normalize("NFD", "Fähre")),
        ("FÄHRE", unicodedata.normalize("NFD", "fähre")),
        ("ΣΊΣΥΦΟΣ", "σίσυφος"),
        ("\u212b", "\u00e5"),  # the ångström sign is canonically the letter
    ],
)
def test_names_that_some_drives_keep_as_one_fold_alike(one: str, other: str) -> None:
    assert fold(one.encode()) == fold(other.encode())


@pytest.mark.parametrize(
    ("one", "other"),
    [(b"C0001.MP4", b"C0002.MP4"), (b"\xe9", b"\xe8"), (b"a", b"a "), (b"\xc3\xa9", b"\xe9")],
)
def test_names_that_every_drive_keeps_apart_fold_apart(one: bytes, other: bytes) -> None:
    assert fold(one) != fold(other)


@given(st.text(alphabet=st.characters(exclude_categories=["Cs"]), max_size=12))
def test_folding_does_not_depend_on_the_form(text: str) -> None:
    forms = {fold(unicodedata.normalize(form, text).encode()) for form in ("NFC", "NFD")}
    assert forms == {fold(text.encode())}


# -- unportable: the published naming rules of FAT and NTFS ---------------------------------------------


@pytest.mark.parametrize(
    ("raw", "said"),
    [
        (b"CON", "reserved"),
        (b"dcim/nul.txt", "nul.txt is a reserved"),
        (b"Lpt1.tar.gz", "reserved"),
        (b"com9/clip.mp4", "com9 is a reserved"),
        (b"clip.", "ends in a dot"),
        (b"folder /clip.mp4", "folder  ends in"),
        (b"take 10:15.wav", "refuse"),
        (b"why?.mov", "refuse"),
        (b"a\\b", r"a\\b has a character"),
        (b"new\nline.mov", r"new\u000aline.mov has a character"),
        (b"a|b", "refuse"),
        (b"\xe9?", r"\xe9? has a character"),
    ],
)
def test_what_some_drives_refuse_is_named(raw: bytes, said: str) -> None:
    assert said in (unportable(raw) or "")


@pytest.mark.parametrize(
    "name",
    [
        "DCIM/100CLIPS/C0001.MP4",
        "Fähre 🎬.mov",
        ".hidden",
        "CONTACT.pdf",
        "com10",
        "a.b.c",
        "x" * 255,
        "it's (1)",
    ],
)
def test_what_every_drive_can_keep_is_not(name: str) -> None:
    assert unportable(name.encode()) is None


# -- xml_safe: XML 1.0 (fifth edition), sections 2.2 and 2.11 -----------------------------------------


@pytest.mark.parametrize("name", ["C0001.MP4", "Fähre & <Øst> 🎬", "  spaces  ", "]]>", "\u0085", "\ufffd"])
def test_a_name_that_xml_can_carry_comes_back(name: str) -> None:
    assert xml_safe(name.encode()) == name


@pytest.mark.parametrize(
    "raw", [b"\xff", b"a\x00b", b"\x1b[0m", b"a\nb", b"a\tb", b"a\rb", "\uffff".encode()]
)
def test_a_name_that_xml_cannot_carry_is_none(raw: bytes) -> None:
    assert xml_safe(raw) is None


@given(NAMES)
def test_an_xml_library_agrees(raw: bytes) -> None:
    """What is said to be safe, lxml writes and reads back unchanged, as text."""
    text = xml_safe(raw)
    if text is None:
        return
    element = etree.Element("name")
    element.text = text
    again = etree.fromstring(etree.tostring(element, encoding="UTF-8", xml_declaration=True))
    assert (again.text or "") == text


@given(st.characters(codec="utf-8"))
def test_what_an_xml_library_refuses_is_none(character: str) -> None:
    element = etree.Element("name")
    try:
        element.text = character
    except ValueError:
        assert xml_safe(character.encode()) is None
