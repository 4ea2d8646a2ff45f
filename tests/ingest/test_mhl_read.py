"""Histories written by other hands: what is read of them, and what is told though it is read."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from ingest.mhl import (
    Author,
    FileHash,
    FileRecord,
    FolderRecord,
    History,
    Reference,
    Rule,
    check_history,
    read_history,
    read_manifest,
)
from ingest.mhl.known import Known
from ingest.mhl.model import Action, Creator, Generation
from shared.errors import ManifestError
from tests.ingest.mhl_support import (
    EMPTY_C4,
    NO_SCHEMA,
    SCHEMAS,
    append,
    c4_by_hand,
    chain_text,
    hash_text,
    manifest_text,
    name_of,
    record,
    schema,
    write_history,
)

# Every element and attribute that the schema knows, once at least.
EVERYTHING = f"""<?xml version="1.0" encoding="UTF-8"?>
<!-- written by hand -->
<hashlist xmlns="urn:ASC:MHL:v2.0" version="2.0">
  <creatorinfo>
    <creationdate>2031-05-04T08:07:09.5+02:00</creationdate>
    <hostname>ferry-desk</hostname>
    <tool version="1.2">handwork</tool>
    <author email="r@ferry.example" phone="+00 1" role="operator">R. Ahlgrimm</author>
    <author>N. N.</author>
    <location>slipway &amp; yard</location>
    <comment>first card</comment>
  </creatorinfo>
  <processinfo>
    <process>transfer</process>
    <roothash>
      <content><xxh64 action="original" hashdate="2031-05-04T06:07:08Z">0011223344556677</xxh64></content>
      <structure><xxh64>8899aabbccddeeff</xxh64></structure>
    </roothash>
    <ignore><pattern>.DS_Store</pattern><pattern>ascmhl/</pattern><pattern>*.tmp</pattern></ignore>
  </processinfo>
  <hashes>
    <hash>
      <path size="5" creationdate="2031-05-03T20:00:00Z" lastmodificationdate="2031-05-03T22:00:00+02:00"
        >DCIM/A &lt;1&gt;.mov</path>
      <c4 action="original">{EMPTY_C4}</c4>
      <md5 action="original">d41d8cd98f00b204e9800998ecf8427e</md5>
      <sha1 action="verified">da39a3ee5e6b4b0d3255bfef95601890afd80709</sha1>
      <xxh128 action="original" hashdate="2031-05-04T06:07:00Z">99aa06d3014798d86001c324468d497f</xxh128>
      <xxh3 action="failed">2d06800538d394c2</xxh3>
      <xxh64 action="original">ef46db3751d8e999</xxh64>
      <previousPath>DCIM/A 0.mov</previousPath>
      <metadata><note xmlns="urn:example:desk"><path>../not a path</path></note></metadata>
    </hash>
    <directoryhash>
      <path lastmodificationdate="2031-05-03T20:00:00Z">DCIM/</path>
      <content><md5>{"1" * 32}</md5><xxh64>{"2" * 16}</xxh64></content>
      <structure><md5>{"3" * 32}</md5><xxh64>{"4" * 16}</xxh64></structure>
      <previousPath>DICM</previousPath>
    </directoryhash>
  </hashes>
  <metadata><anything xmlns="urn:example:desk" at="all"/></metadata>
  <references>
    <hashlistreference><path>sound/ascmhl/0001_sound_2031-05-04_060708Z.mhl</path><c4>{EMPTY_C4}</c4>
    </hashlistreference>
  </references>
</hashlist>
"""


@pytest.mark.skipif(not SCHEMAS.is_dir(), reason=NO_SCHEMA)
def test_the_example_fits_the_published_schema() -> None:
    schema("ASCMHL.xsd").assertValid(etree.fromstring(EVERYTHING.encode()))


def test_everything_is_read(tmp_path: Path) -> None:
    (tmp_path / name_of(3)).write_text(EVERYTHING, "utf-8")
    found = read_manifest(tmp_path / name_of(3))
    assert found.number == 3
    assert found.c4 == c4_by_hand(EVERYTHING.encode())
    assert found.creator == Creator(
        datetime(2031, 5, 4, 6, 7, 9, 500000, UTC),
        "ferry-desk",
        "handwork",
        "1.2",
        (Author("R. Ahlgrimm", "r@ferry.example", "+00 1", "operator"), Author("N. N.")),
        "slipway & yard",
        "first card",
    )
    assert found.process == "transfer"
    assert found.root == FolderRecord("", {"xxh64": "0011223344556677"}, {"xxh64": "8899aabbccddeeff"})
    assert found.ignore == (".DS_Store", "ascmhl/", "*.tmp")
    (file,) = found.files
    assert (file.path, file.size, file.previous_path) == ("DCIM/A <1>.mov", 5, "DCIM/A 0.mov")
    assert file.mtime == datetime(2031, 5, 3, 20, tzinfo=UTC)
    assert [(one.algorithm, one.action) for one in file.hashes] == [
        ("c4", "original"),
        ("md5", "original"),
        ("sha1", "verified"),
        ("xxh128", "original"),
        ("xxh3", "failed"),
        ("xxh64", "original"),
    ]
    assert file.hashes[3] == FileHash(
        "xxh128", "99aa06d3014798d86001c324468d497f", "original", datetime(2031, 5, 4, 6, 7, tzinfo=UTC)
    )
    content = {"md5": "1" * 32, "xxh64": "2" * 16}
    structure = {"md5": "3" * 32, "xxh64": "4" * 16}
    assert found.folders == (FolderRecord("DCIM", content, structure, "DICM"),)
    assert found.references == (Reference("sound/ascmhl/0001_sound_2031-05-04_060708Z.mhl", EMPTY_C4),)


def test_metadata_may_come_before_the_hashes(tmp_path: Path) -> None:
    """The text (6.4.1) has it before, the schema (appendix A) after."""
    write_history(tmp_path, [manifest_text(hash_text("a"), before="<metadata><x xmlns=''/></metadata>")])
    assert check_history(tmp_path) == []


def test_references_alone_are_read(tmp_path: Path) -> None:
    """Legal by the text (6.4.1), not by the schema."""
    (tmp_path / "in").mkdir()
    inner = append(tmp_path / "in", [record("a")])
    path = inner.relative_to(tmp_path).as_posix()
    reference = (
        f"<hashlistreference><path>{path}</path><c4>{c4_by_hand(inner.read_bytes())}</c4></hashlistreference>"
    )
    write_history(tmp_path, [manifest_text(hashes=False, after=f"<references>{reference}</references>")])
    history = read_history(None, tmp_path)
    assert history is not None
    assert history.warnings == ()
    assert [one.path for one in history.generations[0].references] == [path]


def test_no_history(tmp_path: Path) -> None:
    assert read_history(None, tmp_path) is None
    (tmp_path / "ascmhl").mkdir()
    assert read_history(None, tmp_path) is None
    (tmp_path / "ascmhl/README.txt").write_text("free text [7.3]")
    assert read_history(None, tmp_path) is None
    assert check_history(tmp_path) == []


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ManifestError, match="can't be read"):
        read_history(None, tmp_path / "nowhere")


def test_reading_leaves_no_trace(tmp_path: Path) -> None:
    append(tmp_path, [record("a")])
    folder = tmp_path / "ascmhl"
    before = {one: one.stat().st_mtime_ns for one in [folder, *folder.iterdir()]}
    read_history(None, tmp_path)
    assert {one: one.stat().st_mtime_ns for one in [folder, *folder.iterdir()]} == before


GOOD = manifest_text(hash_text("a"))
GOOD_C4 = c4_by_hand(GOOD.encode())


def told(root: Path) -> list[Rule]:
    history = read_history(None, root)
    assert history is not None
    assert not any(one.fatal for one in history.warnings)
    return [one.rule for one in history.warnings]


def test_a_manifest_beside_the_chain_is_told_and_not_read(tmp_path: Path) -> None:
    write_history(tmp_path, [GOOD])
    (tmp_path / "ascmhl" / name_of(2)).write_text("anything")
    (tmp_path / "ascmhl" / f"._{name_of(1)}").write_bytes(b"\x00\x05\x16\x07")
    assert told(tmp_path) == [Rule.UNLISTED]


def test_manifest_name(tmp_path: Path) -> None:
    folder = tmp_path / "ascmhl"
    write_history(tmp_path, [GOOD])
    # Appendices B and F leave the Z out: that is read.
    for name, rules in (("0001_reel_2031-05-04_060100.mhl", []), ("first.mhl", [Rule.NAME])):
        next(folder.glob("*.mhl")).rename(folder / name)
        (folder / "ascmhl_chain.xml").write_text(chain_text([(1, name, GOOD_C4)]))
        assert told(tmp_path) == rules


def test_shrunk_ignore_list_goes_on_to_hold(tmp_path: Path) -> None:
    write_history(tmp_path, [manifest_text(hash_text("a"), ignore=["*.tmp"]), GOOD])
    assert told(tmp_path) == [Rule.SHRUNK]
    write_history(
        tmp_path, [manifest_text(hash_text("a"), ignore=["*.tmp"]), manifest_text(hash_text("b.tmp"))]
    )
    assert [one.rule for one in check_history(tmp_path) if one.fatal] == [Rule.IGNORED]


@pytest.mark.parametrize("action", ["original", "verified"])
def test_a_good_hash_that_contradicts_does_not_count(tmp_path: Path, action: str) -> None:
    other = hash_text("a", "1" * 32, action=f' action="{action}"')
    write_history(tmp_path, [GOOD, manifest_text(other)])
    assert told(tmp_path) == [Rule.CONTRADICTION]
    history = read_history(None, tmp_path)
    assert history is not None
    found = history.latest_good("a")
    assert found is not None
    assert found.value == "0" * 32
    append(tmp_path, [FileRecord("a", 1, None, (FileHash("xxh128", "1" * 32),))])
    history = read_history(None, tmp_path)
    assert history is not None
    assert history.generations[2].files[0].hashes[0].action == "failed"


def test_rename_from_nowhere(tmp_path: Path) -> None:
    write_history(tmp_path, [manifest_text(hash_text("b", extra="<previousPath>a</previousPath>"))])
    assert told(tmp_path) == [Rule.RENAME]


def test_rename_in_a_circle(tmp_path: Path) -> None:
    swap = hash_text("a", "1" * 32, action=' action="verified"', extra="<previousPath>b</previousPath>")
    swap += hash_text("b", "0" * 32, action=' action="verified"', extra="<previousPath>a</previousPath>")
    write_history(tmp_path, [manifest_text(hash_text("a") + hash_text("b", "1" * 32)), manifest_text(swap)])
    history = read_history(None, tmp_path)
    assert history is not None
    assert history.warnings == ()
    values = {path: found.value for path in "ab" if (found := history.latest_good(path))}
    assert values == {"a": "1" * 32, "b": "0" * 32}


HASHES = st.lists(
    st.builds(
        FileHash,
        st.sampled_from(["md5", "xxh128"]),
        st.sampled_from(["0" * 32, "1" * 32]),
        st.sampled_from(["original", "verified", "failed"]),
    ),
    min_size=1,
    max_size=2,
    unique_by=lambda one: one.algorithm,
)
FILES = st.lists(
    st.builds(
        lambda path, hashes, previous: FileRecord(
            path, None, None, tuple(hashes), previous if previous != path else None
        ),
        st.sampled_from("abcd"),
        HASHES,
        st.one_of(st.none(), st.none(), st.sampled_from("abcd")),
    ),
    min_size=1,
    max_size=4,
    unique_by=lambda one: one.path,
)


@given(st.lists(FILES, min_size=1, max_size=4))
def test_both_ways_of_knowing_agree(generations: list[list[FileRecord]]) -> None:
    """The writer's compact table and the whole history say the same of every file."""
    known = Known()
    creator = Creator(datetime(2031, 5, 4, tzinfo=UTC), "h", "t")
    read = []
    for number, files in enumerate(generations, 1):
        for file in files:
            assert known.claim(file.path)
        for file in files:
            known.add(file)
        known.end_generation()
        read.append(Generation(number, "", "", creator, "transfer", tuple(files), (), None, (), ()))
    history = History(Path("x"), tuple(read))
    for path in "abcd":
        values = {name: found.value for name, found in history.good_hashes(path).items()}
        assert known.values(path) == values


def test_every_action_of_the_model_is_the_schema_s() -> None:
    assert set(Action.__args__) == {"original", "verified", "failed"}  # type: ignore[attr-defined]
