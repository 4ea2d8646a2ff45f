"""Which rule a card falls under, and where the copies go: `[[watch]]` and `[destinations]` in words."""

from __future__ import annotations

import fnmatch
import glob
import json
import os
from collections.abc import Iterable, Sequence
from pathlib import Path

from shared.catalogue.productions import find_production
from shared.db import Sessions, reading
from shared.errors import AppError, NotFoundError, UsageError
from shared.names import display
from shared.settings import CONFIG_NAME, Settings, WatchRule


def named_destinations(settings: Settings, names: Iterable[str]) -> tuple[Path, ...]:
    """The folders of these names under [destinations]. Raises NotFoundError, listing the names there are,
    and UsageError for a name whose folder in the settings is not absolute."""
    return tuple(_named(settings, name) for name in names)


def rule_destinations(settings: Settings, rule: WatchRule) -> tuple[Path, ...]:
    """As `named_destinations`; the owner of config.toml may also write absolute folders."""
    return tuple(
        Path(name).expanduser() if name.startswith(("/", "~")) else _named(settings, name) for name in rule.to
    )


def _named(settings: Settings, name: str) -> Path:
    folder = settings.destinations.get(name)
    if folder is None:
        there = ", ".join(sorted(settings.destinations))
        raise NotFoundError(
            f"no destination is named {display(os.fsencode(name))}",
            remedy=f"There is: {there}. Or add it to [destinations] in {CONFIG_NAME}."
            if there
            else f"Add it to [destinations] in {CONFIG_NAME}.",
        )
    folder = folder.expanduser()
    if not folder.is_absolute():
        raise UsageError(
            f"the destination {name} is no absolute folder",
            path=display(os.fsencode(folder)),
            remedy=f"Write the whole path under [destinations] in {CONFIG_NAME}.",
        )
    return folder


def match_rule(rules: Sequence[WatchRule], card: str) -> WatchRule | None:
    """The first rule whose pattern fits the folder's name, whatever its case: labels on FAT have none."""
    name = card.casefold()
    return next((rule for rule in rules if fnmatch.fnmatchcase(name, rule.card.casefold())), None)


def check_rules(settings: Settings, sessions: Sessions) -> None:
    """Find out now, not when the first card is in, that a rule names what does not exist.

    Raises UsageError that names the rule.
    """
    for number, rule in enumerate(settings.watch, 1):
        try:
            if not rule_destinations(settings, rule):
                raise UsageError("no destination is given", remedy="Give `to` two destinations or more.")
            if rule.production is not None:
                with reading(sessions) as session:
                    find_production(session, rule.production)
        except AppError as error:
            raise UsageError(
                f"[[watch]] rule {number}, for cards named {rule.card}: {error.message}",
                path=str(settings.home / CONFIG_NAME),
                remedy=error.remedy,
            ) from error


def destination_inside(settings: Settings, folder: Path) -> Path | None:
    """A destination at or below this folder: then it is a drive that receives copies, and no card.

    Backup drives and cards are mounted side by side on most systems.
    """
    places = [path.expanduser() for path in settings.destinations.values()]
    for rule in settings.watch:
        places += [Path(name).expanduser() for name in rule.to if name.startswith(("/", "~"))]
    real = folder.resolve()
    return next((place for place in places if place.resolve().is_relative_to(real)), None)


def lines_to_add(settings: Settings, card: str) -> list[str]:
    """The lines of config.toml that would make the watcher take a card of this name."""
    # An undecodable or unprintable character can't stand in TOML: "?" fits any one character.
    pattern = "".join(one if one.isprintable() else "?" for one in glob.escape(card))
    names = sorted(settings.destinations)[:2]
    lines = ["[[watch]]", f"card = {json.dumps(pattern, ensure_ascii=False)}", 'camera = "A"']
    if len(names) == 2:
        return [*lines, f"to = {json.dumps(names, ensure_ascii=False)}"]
    return [*lines, 'to = ["/absolute/folder/on/drive/1", "/absolute/folder/on/drive/2"]']
