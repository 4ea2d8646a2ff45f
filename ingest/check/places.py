"""What a person names, found: a reel, a destination, a folder of it, or a bare folder with a hash list."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy.orm import Session

from ingest.card import JUNK_FILES, JUNK_FOLDERS
from ingest.check.model import CheckOrder, shown
from ingest.durable import Disk
from ingest.mhl import find_scopes
from ingest.mhl.model import CHAIN, FOLDER
from shared.catalogue.checks import Holding, holdings
from shared.catalogue.productions import find_production
from shared.errors import NotFoundError, UsageError
from shared.models import Production


@dataclass(frozen=True, slots=True)
class Target:
    """A folder to check: a reel at a destination, or (`holding` None) a bare one. `folder` is below `root`,
    "/" between parts, "" for a bare one."""

    root: Path
    folder: str
    holding: Holding | None = None

    @property
    def top(self) -> Path:
        return self.root / self.folder if self.folder else self.root

    @property
    def reel(self) -> str | None:
        return None if self.holding is None else self.holding.reel

    def below(self, path: str) -> str:
        """The path from the root to a folder of the target; "" is the target's own."""
        return "/".join(part for part in (self.folder, path) if part)

    def shown(self, path: str = "") -> str:
        """The full path for people."""
        return shown(str(self.root / self.below(path)))


def find_targets(
    session: Session, order: CheckOrder, named: Mapping[str, Path], disk: Disk
) -> tuple[Target, ...]:
    """What is to be checked, each folder once. `named`: the destinations of the settings.

    Raises NotFoundError for a place that is nothing known, UsageError for one inside a reel.
    """
    production = _production(session, order)
    if not order.places:
        assert production is not None, "it would have been an error"
        return tuple(map(_of_holding, holdings(session, production_id=production.id)))
    only = production.id if order.production is not None and production is not None else None
    everywhere = holdings(session, production_id=only)
    own = [] if production is None else holdings(session, production_id=production.id)
    found: dict[Path, Target] = {}
    for place in order.places:
        for target in _look_up(place, own, everywhere, named, disk):
            found.setdefault(target.top, target)
    return tuple(found.values())


def _production(session: Session, order: CheckOrder) -> Production | None:
    """The production asked for, or the latest. A bare folder can be checked without any."""
    try:
        return find_production(session, order.production)
    except NotFoundError:
        if order.production is not None or not order.places:
            raise
        return None


def _of_holding(holding: Holding) -> Target:
    return Target(Path(holding.root), holding.folder, holding)


def _look_up(
    place: str,
    own: Sequence[Holding],
    everywhere: Sequence[Holding],
    named: Mapping[str, Path],
    disk: Disk,
) -> Iterable[Target]:
    """`own`: of the production; `everywhere`: of all, since a drive may hold several."""
    if place not in named and "/" not in place:
        by_name = [one for one in everywhere if place == one.name]
        by_reel = [one for one in own if place.lower() == one.reel.lower()]
        if by_name or by_reel:
            return map(_of_holding, by_name or by_reel)
    path = Path(os.path.realpath(named.get(place, Path(place))))
    if by_path := [one for one in everywhere if _holds(path, one)]:
        return map(_of_holding, by_path)
    bare = _bare_folders(path, disk)
    if not bare:
        raise NotFoundError(
            "no reel, no destination with copies, and no folder with a hash list",
            path=shown(place),
            remedy=_what_there_is(own, everywhere),
        )
    return bare


def _holds(path: Path, holding: Holding) -> bool:
    """Whether a place is the holding's destination or reel folder, or a folder above one of them."""
    root = Path(holding.root)
    top = root / holding.folder
    if top in path.parents:
        raise UsageError(
            f"this folder lies inside reel {holding.reel}; copies are checked a reel at a time",
            path=shown(str(path)),
            remedy=f"Name the reel, or its folder {shown(str(top))}.",
        )
    return path == top or path in top.parents


def _bare_folders(path: Path, disk: Disk) -> list[Target]:
    """The folder itself when it has a hash list, else the outermost folders below it that have one."""
    try:
        return _folders_with_history(path, disk) if path.is_dir() else []
    except OSError as error:
        raise UsageError(
            f"it can't be searched for hash lists ({error.strerror})",
            path=shown(error.filename or str(path)),
            remedy="Check the drive and the folder's permissions, then run again.",
        ) from error


def _folders_with_history(path: Path, disk: Disk) -> list[Target]:
    history = path / FOLDER
    if history.is_dir() and any(one.name == CHAIN or one.suffix == ".mhl" for one in history.iterdir()):
        return [Target(path, "")]
    outermost: list[str] = []
    for scope in find_scopes(disk, path):
        if not any(scope.startswith(f"{outer}/") for outer in outermost):
            outermost.append(scope)
    return [Target(path / scope, "") for scope in outermost]


def _what_there_is(own: Sequence[Holding], everywhere: Sequence[Holding]) -> str:
    reels = sorted({one.reel for one in own})
    drives = sorted({shown(one.root) for one in everywhere})
    if not reels and not drives:
        return "Name a folder that has a hash list (a folder named ascmhl) in it."
    some = ", ".join(reels[:8]) + (" …" if len(reels) > 8 else "")
    return f"Reels: {some or 'none'}. Destinations: {', '.join(drives[:8])}."


def why_out_of_reach(root: Path, folders: Iterable[str]) -> str | None:
    """Why nothing at this destination can be checked, or None. `folders`: all reels recorded there.

    A folder in which a drive should be mounted is there without the drive, and another drive may be mounted
    in its place: then no copy is missing, and nothing may be repaired there.
    """
    try:
        names = {path.name for path in root.iterdir()}
    except FileNotFoundError:
        return "it is not there: is the drive plugged in?"
    except OSError as error:
        return f"it can't be read ({error.strerror})"
    if not names - JUNK_FILES - JUNK_FOLDERS:
        return "it is empty: is the drive mounted?"
    # Asked one by one: a drive may list a name in another form than that under which it finds it.
    if not any((root / first).exists() for first in {folder.split("/")[0] for folder in folders}):
        return "nothing that was copied there is to be found: is another drive mounted in its place?"
    return None
