"""Hostile and unsound histories: each is refused with the file and the rule.

Sections in brackets are those of the ASC MHL specification v1.0; none of these rules but the element
order is in its XML schema.
"""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from ingest.mhl import Rule, check_history, read_history
from shared.errors import ManifestError
from tests.ingest.mhl_support import (
    EMPTY_C4,
    append,
    c4_by_hand,
    chain_text,
    hash_text,
    manifest_text,
    name_of,
    record,
    write_history,
)

BOMB = (
    '<!DOCTYPE hashlist [<!ENTITY a "aaaaaaaaaa">'
    + "".join(f'<!ENTITY {chr(98 + n)} "{f"&{chr(97 + n)};" * 10}">' for n in range(9))
    + "]>"
)
OUTSIDE = '<!DOCTYPE hashlist [<!ENTITY x SYSTEM "file:///etc/hostname">]>'
PAIR = "<content><md5>{0}</md5></content><structure><md5>{0}</md5></structure>".format("0" * 32)
NS_WRONG = manifest_text(hash_text("a")).replace("urn:ASC:MHL:v2.0", "urn:ASC:MHL:v3.0")

HOSTILE: dict[str, tuple[str | bytes, Rule]] = {
    "parent": (manifest_text(hash_text("../a")), Rule.PATH),
    "parent inside": (manifest_text(hash_text("x/../../a")), Rule.PATH),
    "parent by entity": (manifest_text(hash_text("x/&#46;&#46;/a")), Rule.PATH),
    "parent by backslash": (manifest_text(hash_text("x\\..\\a")), Rule.PATH),
    "absolute": (manifest_text(hash_text("/etc/passwd")), Rule.PATH),
    "absolute by backslash": (manifest_text(hash_text("\\\\server\\share")), Rule.PATH),
    "absolute by drive": (manifest_text(hash_text("C:\\a")), Rule.PATH),
    "detour": (manifest_text(hash_text("x/./a")), Rule.PATH),
    "empty path": (manifest_text(hash_text("")), Rule.PATH),
    "endless path": (manifest_text(hash_text("x/" * 4000 + "x")), Rule.PATH),
    "file path ending in slash": (manifest_text(hash_text("x/")), Rule.PATH),
    "previous path leaves": (
        manifest_text(hash_text("a", extra="<previousPath>../b</previousPath>")),
        Rule.PATH,
    ),
    "duplicate": (manifest_text(hash_text("a") + hash_text("b") + hash_text("a")), Rule.DUPLICATE),
    "file and folder of one path": (
        manifest_text(hash_text("a") + f"<directoryhash><path>a/</path>{PAIR}</directoryhash>"),
        Rule.DUPLICATE,
    ),
    "no hash": (manifest_text("<hash><path>a</path></hash>"), Rule.NO_HASH),
    "folder without hash": (
        manifest_text("<directoryhash><path>a</path><content/><structure/></directoryhash>"),
        Rule.NO_HASH,
    ),
    "folder with unequal formats": (
        manifest_text(
            f"<directoryhash><path>a</path><content><md5>{'0' * 32}</md5></content>"
            f"<structure><sha1>{'0' * 40}</sha1></structure></directoryhash>"
        ),
        Rule.DIRECTORY,
    ),
    "empty value": (manifest_text(hash_text("a", "")), Rule.VALUE),
    "short value": (manifest_text(hash_text("a", "0" * 31)), Rule.VALUE),
    "value of other characters": (manifest_text(hash_text("a", "G" * 32)), Rule.VALUE),
    "folder's value": (
        manifest_text(f"<directoryhash><path>a</path>{PAIR.replace('00', 'zz')}</directoryhash>"),
        Rule.VALUE,
    ),
    "root's value": (
        manifest_text(hash_text("a"), roothash=f"<roothash>{PAIR.replace('00', 'zz')}</roothash>"),
        Rule.VALUE,
    ),
    "no action": (manifest_text(hash_text("a", action="")), Rule.ACTION),
    "unknown action": (manifest_text(hash_text("a", action=' action="trusted"')), Rule.ACTION),
    "ignored file": (manifest_text(hash_text("x/.DS_Store")), Rule.IGNORED),
    "history's own folder": (manifest_text(hash_text("x/ascmhl/0001_x.mhl")), Rule.IGNORED),
    "ignored by pattern": (manifest_text(hash_text("x/a.tmp"), ignore=["*.tmp"]), Rule.IGNORED),
    "one format twice": (
        manifest_text(
            hash_text("a").replace("</hash>", f'<xxh128 action="original">{"1" * 32}</xxh128></hash>')
        ),
        Rule.ELEMENT,
    ),
    "two paths": (manifest_text(hash_text("a</path><path>b")), Rule.ELEMENT),
    "no path": (manifest_text(hash_text("a").replace("<path>a</path>", "")), Rule.ELEMENT),
    "size": (manifest_text(hash_text("a").replace("<path>", '<path size="-1">')), Rule.ELEMENT),
    "unknown element": (manifest_text(hash_text("a") + "<link/>"), Rule.ELEMENT),
    "unknown format": (
        manifest_text(hash_text("a").replace("xxh128", "sha512")),
        Rule.ELEMENT,
    ),
    "no record": (manifest_text(""), Rule.ELEMENT),
    "no hashes": (manifest_text(hashes=False), Rule.ELEMENT),
    "no process": (manifest_text(hash_text("a")).replace("<process>in-place</process>", ""), Rule.ELEMENT),
    "unknown process": (manifest_text(hash_text("a")).replace("in-place", "magic"), Rule.ELEMENT),
    "no host": (manifest_text(hash_text("a")).replace("<hostname>ferry-desk</hostname>", ""), Rule.ELEMENT),
    "records before the ignore list": (
        manifest_text(hash_text("a")).replace(
            "<creatorinfo>", f"<hashes>{hash_text('b')}</hashes><creatorinfo>"
        ),
        Rule.ELEMENT,
    ),
    "hashes twice": (manifest_text(hash_text("a"), after=f"<hashes>{hash_text('b')}</hashes>"), Rule.ELEMENT),
    "other version": (manifest_text(hash_text("a")).replace('version="2.0"', 'version="3.0"'), Rule.ELEMENT),
    "no version": (manifest_text(hash_text("a")).replace(' version="2.0"', ""), Rule.ELEMENT),
    "unknown namespace": (NS_WRONG, Rule.ELEMENT),
    "no namespace": (manifest_text(hash_text("a")).replace(' xmlns="urn:ASC:MHL:v2.0"', ""), Rule.ELEMENT),
    "foreign element": (manifest_text(hash_text("a") + '<hash xmlns="urn:x"/>'), Rule.ELEMENT),
    "date without zone": (manifest_text(hash_text("a")).replace("+02:00", ""), Rule.DATE),
    "date of another kind": (
        manifest_text(hash_text("a")).replace("2031-05-04T08", "4 May 2031 08"),
        Rule.DATE,
    ),
    "hashdate without zone": (
        manifest_text(hash_text("a", action=' action="original" hashdate="2031-05-04T08:00:00"')),
        Rule.DATE,
    ),
    "file's date without zone": (
        manifest_text(hash_text("a").replace("<path>", '<path lastmodificationdate="2031-05-04T08:00:00">')),
        Rule.DATE,
    ),
    "reference leaves": (
        manifest_text(
            hash_text("a"),
            after=f"<references><hashlistreference><path>../x/ascmhl/1.mhl</path><c4>{EMPTY_C4}</c4>"
            "</hashlistreference></references>",
        ),
        Rule.PATH,
    ),
    "reference without C4": (
        manifest_text(
            hash_text("a"),
            after="<references><hashlistreference><path>x/ascmhl/1.mhl</path><c4>c4</c4>"
            "</hashlistreference></references>",
        ),
        Rule.VALUE,
    ),
    "entity bomb": (manifest_text(hash_text("&j;"), prolog=BOMB), Rule.DTD),
    "entity bomb in an attribute": (
        manifest_text(hash_text("a").replace("<path>", '<path size="&j;">'), prolog=BOMB),
        Rule.DTD,
    ),
    "entity from a file": (manifest_text(hash_text("&x;"), prolog=OUTSIDE), Rule.DTD),
    "document type from elsewhere": (
        manifest_text(hash_text("a"), prolog='<!DOCTYPE hashlist SYSTEM "http://127.0.0.1:9/x.dtd">'),
        Rule.DTD,
    ),
    "undefined entity": (manifest_text(hash_text("&who;")), Rule.XML),
    "cut off": (manifest_text(hash_text("a"))[:-20], Rule.XML),
    "empty": ("", Rule.XML),
    "no XML": ("hello", Rule.XML),
    "something after the end": (manifest_text(hash_text("a")) + "<more/>", Rule.XML),
    "UTF-16": (manifest_text(hash_text("a")).encode("utf-16"), Rule.XML),
    "Latin-1": (manifest_text(hash_text("ä")).encode("latin-1"), Rule.XML),
    "deep": (
        manifest_text(hash_text("a"), after=f"<metadata>{'<x>' * 200}{'</x>' * 200}</metadata>"),
        Rule.LIMIT,
    ),
    "endless text": (manifest_text(hash_text("x" * 100_000)), Rule.LIMIT),
}


@pytest.mark.parametrize("case", HOSTILE)
def test_hostile_manifests_are_refused(tmp_path: Path, case: str) -> None:
    text, rule = HOSTILE[case]
    write_history(tmp_path, [text])
    began = time.perf_counter()
    problems = check_history(tmp_path)
    assert time.perf_counter() - began < 5
    assert problems[0].rule is rule, problems
    assert problems[0].fatal
    for read in (read_history, lambda disk, root: append(root, [record("new")])):
        with pytest.raises(ManifestError) as caught:
            read(None, tmp_path)
        assert name_of(1) in str(caught.value), "the error names the file"
        assert rule.value in str(caught.value), "the error names the rule"
    assert sorted(one.name for one in (tmp_path / "ascmhl").iterdir()) == [name_of(1), "ascmhl_chain.xml"]


def test_the_table_s_base_is_sound(tmp_path: Path) -> None:
    """Each case above differs from this in one thing."""
    write_history(tmp_path, [manifest_text(hash_text("a"))])
    assert check_history(tmp_path) == []


def test_all_problems_are_told_up_to_a_bound(tmp_path: Path) -> None:
    write_history(
        tmp_path, [manifest_text(hash_text("../a") + hash_text("b", "") + hash_text("c", action=""))]
    )
    assert [one.rule for one in check_history(tmp_path)] == [Rule.PATH, Rule.VALUE, Rule.ACTION]
    write_history(tmp_path, [manifest_text("".join(hash_text("../a") for _ in range(10_000)))])
    assert len(check_history(tmp_path)) == 50


GOOD = manifest_text(hash_text("a"))
GOOD_C4 = c4_by_hand(GOOD.encode())

CHAINS: dict[str, tuple[str, Rule]] = {
    "starts at 7": (chain_text([(7, name_of(1), GOOD_C4)]), Rule.SEQUENCE),
    "starts at 0": (chain_text([(0, name_of(1), GOOD_C4)]), Rule.SEQUENCE),
    "gap": (chain_text([(1, name_of(1), GOOD_C4), (3, name_of(2), GOOD_C4)]), Rule.SEQUENCE),
    "number twice": (chain_text([(1, name_of(1), GOOD_C4), (1, name_of(2), GOOD_C4)]), Rule.SEQUENCE),
    "no number": (chain_text([("", name_of(1), GOOD_C4)]), Rule.SEQUENCE),
    "no C4": (chain_text([(1, name_of(1), "0" * 90)]), Rule.VALUE),
    "empty C4": (chain_text([(1, name_of(1), "")]), Rule.VALUE),
    "wrong C4": (chain_text([(1, name_of(1), EMPTY_C4)]), Rule.C4),
    "absolute": (chain_text([(1, "/etc/passwd", GOOD_C4)]), Rule.PATH),
    "leaves": (chain_text([(1, f"../{name_of(1)}", GOOD_C4)]), Rule.PATH),
    "elsewhere": (chain_text([(1, f"x/{name_of(1)}", GOOD_C4)]), Rule.PATH),
    "listed twice": (chain_text([(1, name_of(1), GOOD_C4), (2, name_of(1), GOOD_C4)]), Rule.DUPLICATE),
    "manifest missing": (chain_text([(1, name_of(1), GOOD_C4), (2, name_of(2), GOOD_C4)]), Rule.MISSING),
    "empty": (chain_text([]), Rule.CHAIN),
    "children in the manifest's namespace": (
        chain_text([(1, name_of(1), GOOD_C4)]).replace("<hashlist ", '<hashlist xmlns="urn:ASC:MHL:v2.0" '),
        Rule.ELEMENT,
    ),
    "entity bomb": (
        BOMB.replace("hashlist", "ascmhldirectory") + "<ascmhldirectory>&j;</ascmhldirectory>",
        Rule.DTD,
    ),
    "cut off": (chain_text([(1, name_of(1), GOOD_C4)])[:-5], Rule.XML),
}


@pytest.mark.parametrize("case", CHAINS)
def test_unsound_chains_are_refused(tmp_path: Path, case: str) -> None:
    text, rule = CHAINS[case]
    write_history(tmp_path, [GOOD])
    (tmp_path / "ascmhl/ascmhl_chain.xml").write_text(text)
    assert rule in [one.rule for one in check_history(tmp_path)]
    with pytest.raises(ManifestError) as caught:
        read_history(None, tmp_path)
    assert rule.value in str(caught.value)


def test_lost_chain(tmp_path: Path) -> None:
    """One first manifest without a chain is what a kill leaves; two have lost it."""
    write_history(tmp_path, [GOOD, GOOD])
    (tmp_path / "ascmhl/ascmhl_chain.xml").unlink()
    assert [one.rule for one in check_history(tmp_path) if one.fatal] == [Rule.CHAIN]


def test_links_and_pipes_are_not_read(tmp_path: Path) -> None:
    write_history(tmp_path, [GOOD])
    manifest = tmp_path / "ascmhl" / name_of(1)
    manifest.rename(tmp_path / "real")
    manifest.symlink_to(tmp_path / "real")
    assert [one.rule for one in check_history(tmp_path)] == [Rule.UNREADABLE]
    manifest.unlink()
    os.mkfifo(manifest)
    assert [one.rule for one in check_history(tmp_path)] == [Rule.UNREADABLE]


def test_a_sparse_giant_is_not_read(tmp_path: Path) -> None:
    write_history(tmp_path, [GOOD])
    with open(tmp_path / "ascmhl" / name_of(1), "r+b") as file:
        file.truncate(1 << 40)
    began = time.perf_counter()
    assert [one.rule for one in check_history(tmp_path)] == [Rule.LIMIT]
    assert time.perf_counter() - began < 5
