"""Read XML that may be hostile: a stream of events, no tree, no document type, no entities, no network.

Everything is bounded: depth, the text of one element, the number of problems told. A hash list of any
length is read in the memory of one record.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, cast

from lxml import etree

from ingest.mhl.rules import Problem, Rule, shown

MAX_DEPTH = 64
MAX_TEXT = 65536  # characters in one element
MAX_PROBLEMS = 50


class StopReadingError(Exception):
    """The document is not read on; what is wrong with it is among the problems."""


class Target:
    """Receives the events of one document in one namespace; subclasses say what its elements mean.

    `grammar` maps an element to the elements that may stand in it; an element with none holds text.
    What is under `skipped` is not looked at: any element may stand there.
    """

    grammar: Mapping[str, frozenset[str]] = {}
    root = ""
    skipped = ""

    def __init__(self, file: str, namespace: str) -> None:
        self.file = file
        self.problems: list[Problem] = []
        self.stack: list[str] = []
        self._prefix = f"{{{namespace}}}"
        self._skipping = 0
        self._text: list[str] | None = None
        self._length = 0

    # --- for subclasses -------------------------------------------------------------------------------

    def opened(self, name: str, attributes: Mapping[str, str]) -> None:
        """An element begins; `stack` ends with it."""

    def closed(self, name: str, text: str) -> None:
        """An element ends; `stack` ends with what it stands in. `text` is "" where it holds elements."""

    def report(self, rule: Rule, detail: str) -> None:
        self.problems.append(Problem(rule, self.file, detail))
        if len(self.problems) >= MAX_PROBLEMS:
            raise StopReadingError

    def stop(self, rule: Rule, detail: str) -> None:
        self.report(rule, detail)
        raise StopReadingError

    # --- called by the parser -------------------------------------------------------------------------

    def start(self, tag: str, attributes: Mapping[str, str]) -> None:
        if self._skipping:
            self._skipping += 1
            if self._skipping + len(self.stack) > MAX_DEPTH:
                self.stop(Rule.LIMIT, f"elements in more than {MAX_DEPTH} layers")
            return
        name = tag.removeprefix(self._prefix)
        allowed = self.grammar.get(self.stack[-1], frozenset()) if self.stack else {self.root}
        if name == tag or name not in allowed:
            self.stop(Rule.ELEMENT, f"{shown(tag)} can't stand in {self._where()}")
        if name == self.skipped:
            self._skipping = 1
        self.stack.append(name)
        self._text = None if name in self.grammar else []
        self._length = 0
        self.opened(name, attributes)

    def end(self, tag: str) -> None:
        if self._skipping:
            self._skipping -= 1
            if self._skipping:
                return
        text = "".join(self._text or ())
        self._text = None
        name = self.stack.pop()
        self.closed(name, text)

    def data(self, data: str) -> None:
        if self._text is None or self._skipping:
            return
        self._length += len(data)
        if self._length > MAX_TEXT:
            self.stop(Rule.LIMIT, f"more than {MAX_TEXT} characters in {self._where()}")
        self._text.append(data)

    def doctype(self, name: str | None, public: str | None, system: str | None) -> None:
        self.stop(Rule.DTD, "it has a document type declaration")

    def comment(self, text: str) -> None:
        """Comments mean nothing."""

    def pi(self, target: str, data: str | None = None) -> None:
        """Processing instructions mean nothing."""

    def close(self) -> None:
        """The document is complete."""

    def _where(self) -> str:
        return "/".join(self.stack) or "the document"


def parse(chunks: Iterable[bytes], target: Target) -> None:
    """Read a document. All that is wrong with it ends up in `target.problems`; always reads to the end
    of `chunks`, for a caller that hashes them."""
    # The encoding is fixed: a document in another one can't slip past what looks at it here.
    parser = etree.XMLParser(
        target=cast(Any, target),  # the stubs expect bytes as well; lxml gives text alone
        encoding="utf-8",
        resolve_entities=False,
        load_dtd=False,
        no_network=True,
        huge_tree=False,
    )
    reading = True
    for chunk in chunks:
        if reading:
            reading = _feed(parser, chunk, target)
    if reading:
        _feed(parser, None, target)


def _feed(parser: etree.XMLParser, chunk: bytes | None, target: Target) -> bool:
    """Give the parser a piece (None: the end). Returns whether reading goes on."""
    try:
        if chunk is None:
            parser.close()
        else:
            parser.feed(chunk)
    except StopReadingError:
        return False
    except etree.XMLSyntaxError as error:
        target.problems.append(Problem(Rule.XML, target.file, str(error.msg).removesuffix(" (<string>)")))
        return False
    return True
