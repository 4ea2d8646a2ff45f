"""Ignore patterns: gitignore syntax, anchored at the scope (specification 6.4.7, appendix C).

Syntax and meaning are those of the published gitignore manual page. The matcher goes through pattern and
name once with one point to fall back to, so that a hostile pattern full of asterisks costs no more than
its length times the name's.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from string import ascii_letters, ascii_lowercase, ascii_uppercase, digits, hexdigits, punctuation

ALWAYS = (".DS_Store", "ascmhl/")
_CLASSES = {
    "alpha": ascii_letters,
    "digit": digits,
    "alnum": ascii_letters + digits,
    "lower": ascii_lowercase,
    "upper": ascii_uppercase,
    "xdigit": hexdigits,
    "punct": punctuation,
    "space": " \t\n\r\f\v",
    "blank": " \t",
    "cntrl": "".join(map(chr, [*range(32), 127])),
    "graph": ascii_letters + digits + punctuation,
    "print": ascii_letters + digits + punctuation + " ",
}
_FOLDERS_KEPT = 4096

_One = Callable[[str], bool]  # does this one character fit?
_STAR = None  # any run of characters, or of folders
_Token = _One | None


class Ignore:
    """The verdict of a list of patterns. `.DS_Store` and folders named `ascmhl` are always ignored."""

    def __init__(self, patterns: Iterable[str] = ()) -> None:
        self.patterns = tuple(dict.fromkeys([*ALWAYS, *patterns]))
        self._parsed = [parsed for one in self.patterns if (parsed := _parse(one)) is not None]
        self._folders: dict[str, bool] = {"": False}

    def matches(self, path: str, *, folder: bool = False) -> bool:
        """Whether this path, or a folder it lies in, is ignored. `path` is relative to the scope."""
        above, _, _ = path.rpartition("/")
        return self._inside_ignored(above) or self._verdict(path, folder)

    def _inside_ignored(self, folder: str) -> bool:
        known = self._folders.get(folder)
        if known is None:
            # From the top down: what lies in an ignored folder can't be brought back by a "!".
            parts = folder.split("/")
            known = any(self._verdict("/".join(parts[: n + 1]), True) for n in range(len(parts)))
            if len(self._folders) >= _FOLDERS_KEPT:
                self._folders = {"": False}
            self._folders[folder] = known
        return known

    def _verdict(self, path: str, folder: bool) -> bool:
        """The last pattern that fits decides."""
        parts = path.split("/")
        for pattern in reversed(self._parsed):
            if (folder or not pattern.folders_only) and pattern.fits(parts):
                return not pattern.negated
        return False


def pattern_problem(pattern: str) -> str | None:
    """Why this can't be a pattern, or None: it is one line."""
    return "a pattern is one line" if "\n" in pattern or "\r" in pattern else None


def is_anchored(pattern: str) -> bool:
    """Whether the pattern speaks of one place below the scope, not of a name anywhere."""
    return "/" in pattern.removeprefix("!").rstrip().removesuffix("/")


@dataclass(frozen=True, slots=True)
class _Pattern:
    negated: bool
    folders_only: bool
    parts: Sequence[_One | None]  # a test for each part of the path; None: any run of folders
    anchored: bool  # else the last part of the path decides alone; those above it have been asked before
    inside: bool  # ends in "/**": what is in the folder, not the folder itself

    def fits(self, parts: Sequence[str]) -> bool:
        if not self.anchored:
            return _run(self.parts, parts[-1:])
        if self.inside:
            # At least one part must be left for the "**" at the end.
            return any(_run(self.parts, parts[:n]) for n in range(len(parts)))
        return _run(self.parts, parts)


def _run(tokens: Sequence[Callable[[str], bool] | None], items: Sequence[str]) -> bool:
    """Match a whole sequence: None takes any run of items, every other token exactly one that fits."""
    at = done = 0
    star, resume = -1, 0
    while done < len(items):
        token = tokens[at] if at < len(tokens) else _nothing
        if token is None:
            star, resume = at, done
            at += 1
        elif token(items[done]):
            at += 1
            done += 1
        elif star >= 0:
            # The last run takes one item more; an earlier one never needs to.
            resume += 1
            at, done = star + 1, resume
        else:
            return False
    return all(token is None for token in tokens[at:])


def _ends(tokens: Sequence[_Token], name: str) -> bool:
    """As `_run` for a star and then single characters, the usual pattern: most names fail at once."""
    if len(name) < len(tokens):
        return False
    ending = name[len(name) - len(tokens) :]
    return all(token is not None and token(one) for token, one in zip(tokens, ending, strict=True))


def _parse(line: str) -> _Pattern | None:
    """One line of the list, or None where it matches nothing (empty, a comment, malformed)."""
    text = _strip_trailing_spaces(line)
    if not text or text.startswith("#"):
        return None
    negated = text.startswith("!")
    text = text.removeprefix("!")
    folders_only = text.endswith("/")
    text = text.removesuffix("/")
    anchored = "/" in text
    names = text.removeprefix("/").split("/")
    if not text or "" in names:
        return None
    inside = anchored and len(names) > 1 and names[-1] == "**"
    if inside:
        names.pop()
    parts: list[_One | None] = []
    for name in names:
        if anchored and name == "**":
            parts.append(None)
            continue
        if not any(special in name for special in "*?[\\"):
            parts.append(partial(str.__eq__, name))
            continue
        tokens = _tokens(name)
        if tokens is None:
            return None
        only_ending = tokens[:1] == [_STAR] and _STAR not in tokens[1:]
        parts.append(partial(_ends, tokens[1:]) if only_ending else partial(_run, tokens))
    return _Pattern(negated, folders_only, parts, anchored, inside)


def _strip_trailing_spaces(line: str) -> str:
    text = line.rstrip("\r\n")
    while text.endswith(" "):
        backslashes = len(text[:-1]) - len(text[:-1].rstrip("\\"))
        if backslashes % 2:
            break
        text = text[:-1]
    return text


def _tokens(name: str) -> list[_Token] | None:
    """The tokens of one part of a pattern, or None where it is malformed."""
    tokens: list[_Token] = []
    at = 0
    while at < len(name):
        character = name[at]
        at += 1
        if character == "*":
            if not tokens or tokens[-1] is not _STAR:
                tokens.append(_STAR)
        elif character == "?":
            tokens.append(_anything)
        elif character == "[":
            found = _bracket(name, at)
            if found is None:
                return None
            token, at = found
            tokens.append(token)
        elif character == "\\":
            if at == len(name):
                return None
            tokens.append(partial(str.__eq__, name[at]))
            at += 1
        else:
            tokens.append(partial(str.__eq__, character))
    return tokens


def _nothing(_: str) -> bool:
    return False


def _anything(_: str) -> bool:
    return True


def _bracket(name: str, at: int) -> tuple[_One, int] | None:
    """A set of characters from behind its "[", and where the pattern goes on."""
    negated = name[at : at + 1] in ("!", "^")
    at += negated
    singles: set[str] = set()
    ranges: list[tuple[str, str]] = []
    first = True
    while at < len(name):
        if name[at] == "]" and not first:
            return partial(_in_set, frozenset(singles), tuple(ranges), negated), at + 1
        first = False
        if name.startswith("[:", at) and (end := name.find(":]", at + 2)) >= 0:
            members = _CLASSES.get(name[at + 2 : end])
            if members is None:
                return None
            singles.update(members)
            at = end + 2
            continue
        low, at = _literal(name, at)
        if name[at : at + 1] == "-" and name[at + 1 : at + 2] not in ("", "]"):
            high, at = _literal(name, at + 1)
            ranges.append((low, high))
        else:
            singles.add(low)
    return None


def _literal(name: str, at: int) -> tuple[str, int]:
    if name[at] == "\\" and at + 1 < len(name):
        return name[at + 1], at + 2
    return name[at], at + 1


def _in_set(singles: frozenset[str], ranges: Sequence[tuple[str, str]], negated: bool, item: str) -> bool:
    return (item in singles or any(low <= item <= high for low, high in ranges)) != negated
