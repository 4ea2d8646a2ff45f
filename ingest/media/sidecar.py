"""XML that a camera or recorder wrote: read as data, with no document type, no entities and no network."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from lxml import etree

from ingest.media.facts import NOTE, Facts, Noticed
from ingest.media.limits import open_media
from ingest.media.taken import capture_in, with_capture
from shared.errors import MediaError

MOST_BYTES = 4 * 2**20
MOST_NODES = 100_000
_LONGEST = 200


def read_sidecar(path: Path) -> tuple[Facts | None, list[Noticed]]:
    """What an XML file beside a take says of it: the rate it was taken at, where it states one.

    None, and why, for a file that is no such XML; other formats of sidecars are not read.
    """
    try:
        with open_media(path) as file:
            words = list(read_words(file))
    except MediaError as error:
        said = f"The file {error.message}."
        return None, [Noticed("sidecar-unreadable", NOTE, said, rule="A sidecar is plain XML.")]
    facts = Facts(container="XML")
    stated = capture_in(words, "sidecar")
    return (facts if stated is None else with_capture(facts, stated)), []


def read_words(file: BinaryIO) -> Iterator[tuple[str, str]]:
    """Names with their texts, of elements and attributes, in the order of the document.

    Raises MediaError for a document that is too large, broken, or has a document type.
    """
    content = file.read(MOST_BYTES + 1)
    if len(content) > MOST_BYTES:
        raise MediaError(f"is longer than {MOST_BYTES} bytes, which no sidecar is")
    yield from words_of(content)


def words_of(content: bytes) -> Iterator[tuple[str, str]]:
    """Like `read_words`, of a document in memory, whose length the caller has bounded."""
    parser = etree.XMLParser(
        resolve_entities=False, no_network=True, load_dtd=False, dtd_validation=False, huge_tree=False
    )
    try:
        root = etree.fromstring(content, parser)
    except (etree.XMLSyntaxError, ValueError) as error:
        raise MediaError(f"is no XML that can be read ({_short(str(error))})") from error
    if root.getroottree().docinfo.internalDTD is not None:
        raise MediaError("has a document type, which a sidecar has no use for")
    for number, element in enumerate(root.iter()):
        if number >= MOST_NODES:
            raise MediaError(f"has more than {MOST_NODES} elements")
        if not isinstance(element.tag, str):
            continue  # a comment or an instruction
        yield _local(element.tag), _short(element.text or "")
        for name, value in element.attrib.items():
            yield _local(str(name)), _short(str(value))


def _local(name: str) -> str:
    return name.rpartition("}")[2]


def _short(text: str) -> str:
    return re.sub(r"\s+", " ", text).strip()[:_LONGEST]
