"""The `iXML` chunk of a wave file: XML that names the tracks, the scene and the take.

Elements after the published iXML specification (version 1.61 and later). What recorders really write is often
a little broken: NUL bytes behind the end, a byte order mark, an encoding other than the one declared.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from lxml import etree

MOST_BYTES = 1 << 20
_MOST_TRACKS = 256
_LONGEST = 300
_SAID = {
    "PROJECT": "project",
    "SCENE": "scene",
    "TAKE": "take",
    "TAPE": "tape",
    "CIRCLED": "circled",
    "NOTE": "note",
    "FILE_UID": "file_uid",
    "UBITS": "user_bits",
}


@dataclass(frozen=True, slots=True)
class Track:
    """One channel of the file, counted from 1, and what the recorder calls it."""

    channel: int
    name: str
    function: str


@dataclass(frozen=True, slots=True)
class Document:
    """Tracks by channel, and the words of the whole file."""

    tracks: tuple[Track, ...]
    said: Mapping[str, str]


def read_ixml(raw: bytes) -> Document | None:
    """What an iXML chunk says. None where it is too large, has a document type, or is no XML at all."""
    if len(raw) > MOST_BYTES:
        return None
    # Neither entities nor a document type belong here: they make a reader read what it should not.
    plain = raw.replace(b"\0", b"").lower()
    if b"<!doctype" in plain or b"<!entity" in plain:
        return None
    root = _parse(_trim(raw))
    if root is None:
        return None
    said = {key: text for tag, key in _SAID.items() if (text := _text_of(root, tag))}
    return Document(_tracks_of(root), said)


def _trim(raw: bytes) -> bytes:
    """The document without what stands around it: junk before the first and behind the last bracket."""
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return raw  # UTF-16: NUL bytes are part of it
    return raw[max(0, raw.find(b"<")) : raw.rfind(b">") + 1].replace(b"\0", b"")


def _parse(text: bytes) -> etree._Element | None:
    # As it says, then as it often really is.
    for encoding, recover in ((None, False), ("utf-8", False), ("iso-8859-1", True)):
        parser = etree.XMLParser(
            encoding=encoding,
            recover=recover,
            resolve_entities=False,
            load_dtd=False,
            no_network=True,
            huge_tree=False,
            remove_comments=True,
            remove_pis=True,
        )
        try:
            root = etree.fromstring(text, parser)
        except (etree.XMLSyntaxError, ValueError, LookupError):
            continue
        if root is not None:
            return root
    return None


def _text_of(element: etree._Element, tag: str) -> str:
    return "".join(c for c in (element.findtext(tag) or "") if c.isprintable()).strip()[:_LONGEST]


def _tracks_of(root: etree._Element) -> tuple[Track, ...]:
    """The tracks by channel; the first that claims a channel has it."""
    tracks: dict[int, Track] = {}
    for place, element in enumerate(root.findall("TRACK_LIST/TRACK")[:_MOST_TRACKS], start=1):
        # INTERLEAVE_INDEX is the channel in this file, CHANNEL_INDEX the recorder's input.
        numbers = (_text_of(element, tag) for tag in ("INTERLEAVE_INDEX", "CHANNEL_INDEX"))
        channel = next((int(n) for n in numbers if n.isdecimal() and 0 < int(n) <= _MOST_TRACKS), place)
        name, function = _text_of(element, "NAME"), _text_of(element, "FUNCTION")
        if name or function:
            tracks.setdefault(channel, Track(channel, name, function))
    return tuple(track for _, track in sorted(tracks.items()))
