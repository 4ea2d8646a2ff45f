"""Commands whose words are a query, in which "-" means not: `rushlight find -person:ada`.

Left to itself the command line would read the -p of it as an option. Here an option is "-p" alone or begins
with "--"; every other word is the query's.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import typer.core

_SHIELD = "\0"  # no word of a command line can hold it


class QueryCommand(typer.core.TyperCommand):
    """A command to be given as `cls=QueryCommand`; its function joins the words with `join_query`."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        return super().parse_args(ctx, [_SHIELD + one if _is_negation(one) else one for one in args])


def _is_negation(word: str) -> bool:
    return word.startswith("-") and not word.startswith("--") and len(word) > 2


def join_query(words: Iterable[str] | None) -> str:
    return " ".join(word.removeprefix(_SHIELD) for word in words or ())
