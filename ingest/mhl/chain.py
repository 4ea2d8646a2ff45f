"""The chain: which manifests a history consists of, and the C4 of each (specification 7, appendix E)."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from lxml import etree

from ingest.mhl.formats import value_problem
from ingest.mhl.model import CHAIN, CHAIN_NAMESPACE, FOLDER
from ingest.mhl.rules import Problem, Rule, path_problem, shown
from ingest.mhl.safexml import Target, parse

_NUMBER = re.compile(r"\d{1,9}")


@dataclass(frozen=True, slots=True)
class ChainEntry:
    """One manifest: its place, its file name beside the chain, the C4 of its bytes."""

    number: int
    name: str
    c4: str


class Writable(Protocol):
    def write(self, data: bytes, /) -> object: ...


class _ChainTarget(Target):
    root = "ascmhldirectory"
    grammar: Mapping[str, frozenset[str]] = {
        "ascmhldirectory": frozenset({"hashlist"}),
        "hashlist": frozenset({"path", "c4"}),
    }

    def __init__(self, file: str) -> None:
        super().__init__(file, CHAIN_NAMESPACE)
        self.entries: list[ChainEntry] = []
        self._number = ""
        self._texts: dict[str, str] = {}

    def opened(self, name: str, attributes: Mapping[str, str]) -> None:
        if name == "hashlist":
            self._number, self._texts = attributes.get("sequencenr", ""), {}
        elif name in self._texts:
            self.stop(Rule.ELEMENT, f"a second {name} in one entry")

    def closed(self, name: str, text: str) -> None:
        if name == "hashlist":
            self._close_entry()
        elif name == "ascmhldirectory":
            if not self.entries:
                self.report(Rule.CHAIN, "the chain is empty")
        else:
            self._texts[name] = text

    def _close_entry(self) -> None:
        due = len(self.entries) + 1
        number = int(self._number) if _NUMBER.fullmatch(self._number.strip()) else None
        name, c4 = self._texts.get("path", ""), self._texts.get("c4", "")
        if number != due:
            said = shown(self._number) if self._number else "no number"
            self.stop(Rule.SEQUENCE, f"{said} where {due} is due")
        if (problem := path_problem(name)) or "/" in name:
            self.report(Rule.PATH, problem or f"{shown(name)} is not beside the chain")
        if problem := value_problem("c4", c4):
            self.report(Rule.VALUE, shown(problem))
        if any(name == entry.name for entry in self.entries):
            self.report(Rule.DUPLICATE, f"{shown(name)} is listed twice")
        self.entries.append(ChainEntry(due, name, c4))


def parse_chain(chunks: Iterable[bytes]) -> tuple[Sequence[ChainEntry], Sequence[Problem]]:
    """The entries of a chain file, and what is wrong with it."""
    target = _ChainTarget(f"{FOLDER}/{CHAIN}")
    parse(chunks, target)
    return target.entries, target.problems


def write_chain(out: Writable, entries: Iterable[ChainEntry]) -> None:
    """Write a whole chain file."""
    with etree.xmlfile(out, encoding="UTF-8") as xml:
        xml.write_declaration()
        with xml.element(_tag("ascmhldirectory"), nsmap={None: CHAIN_NAMESPACE}):
            for entry in entries:
                xml.write("\n  ")
                with xml.element(_tag("hashlist"), sequencenr=str(entry.number)):
                    with xml.element(_tag("path")):
                        xml.write(entry.name)
                    with xml.element(_tag("c4")):
                        xml.write(entry.c4)
            xml.write("\n")


def _tag(name: str) -> str:
    return f"{{{CHAIN_NAMESPACE}}}{name}"
