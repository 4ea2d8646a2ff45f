"""Watch for cards and offload them by the rules of config.toml, carrying out requests in between.

One thread does all the work, one thing at a time: a card, then a request, then a card. Two cards read at
once would only slow each other, and a person can follow what is said. A card that comes while another is
copied is taken next; so is a request.

A card is a folder directly below a watch folder that matches a rule. It is looked at, again and again,
until its listing has not changed for `quiet_seconds`; then it is offloaded, once for each listing.
"""

from __future__ import annotations

import hashlib
import logging
import os
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from ingest.card import Listing, read_card
from ingest.doorbell import Doorbell, Identity, identity_of
from ingest.durable import Disk
from ingest.follow import Following, counted, lines_about, shown, sized
from ingest.orders import OffloadOrder, OffloadReport
from ingest.rules import check_rules, destination_inside, lines_to_add, match_rule, rule_destinations
from ingest.worker import Offload, Say, Worker
from shared.card_folders import CardFolder, list_card_folders
from shared.db import Sessions
from shared.errors import EXIT_DONE, AppError, UsageError
from shared.settings import CONFIG_NAME, Settings, WatchRule

# A listing of a large card takes a while: at most a tenth of the time is spent on listing it.
LISTING_SHARE = 10

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """What tells one listing of a card from another. `digest` covers every path, size and time, so that
    two cards with the same label are not taken for each other."""

    files: int
    total_bytes: int
    newest_ns: int
    digest: str

    def __str__(self) -> str:
        return f"{counted(self.files, 'file')}, {sized(self.total_bytes)}"


def fingerprint_of(listing: Listing) -> Fingerprint:
    every = hashlib.sha256()
    for entry in listing.files:
        every.update(entry.raw + b"\0%d\0%d\0" % (entry.size, entry.mtime_ns))
    newest = max((entry.mtime_ns for entry in listing.files), default=0)
    return Fingerprint(len(listing.files), listing.total_bytes, newest, every.hexdigest())


def watch(
    settings: Settings,
    sessions: Sessions,
    offload: Offload,
    worker: Worker,
    say: Say,
    stop: threading.Event,
) -> None:
    """Watch until `stop` is set or Ctrl-C; then an offload under way ends, and goes on next time.

    Raises UsageError at once when no folder is watched or a rule names what does not exist. What goes
    wrong with a card, a drive or a request later on is said, and the watch goes on.
    """
    if not settings.watch_folders:
        raise UsageError(
            "no folder is watched",
            path=str(settings.home / CONFIG_NAME),
            remedy='Add a line such as watch_folders = ["/media/you"], the folder under which cards appear.',
        )
    check_rules(settings, sessions)
    _say_what_is_watched(settings, say)
    cards = Cards(settings, offload, say, stop)
    try:
        with Doorbell((folder.expanduser().resolve() for folder in settings.watch_folders), say) as doorbell:
            while not stop.is_set():
                doorbell.attach()  # first: what appears during the look rings for the next one
                worked = worker.run_once(stop)
                worked |= cards.look()
                if not worked:
                    doorbell.wait(cards.pause, stop)
    except KeyboardInterrupt:  # StopRequested too
        stop.set()
    say("Stopped watching. An offload that was under way goes on where it stopped, once the card is seen.")


def _say_what_is_watched(settings: Settings, say: Say) -> None:
    folders = ", ".join(shown(folder) for folder in settings.watch_folders)
    say(f"Watching {folders} for cards. End with Ctrl-C.")
    for rule in settings.watch:
        to = " and ".join(shown(path) for path in rule_destinations(settings, rule))
        camera = f"camera {rule.camera}" if rule.camera else "the camera that filled the card last"
        say(f"  cards named {rule.card}: {camera}, to {to}")
        if len(rule.to) < 2:
            say("  One destination is one copy: such a card may never be formatted. Name a second drive.")


@dataclass(frozen=True, slots=True)
class _Tried:
    """An offload of this card: of which listing, onto which drives, and whether nothing was left to do."""

    listing: Fingerprint
    drives: tuple[Identity | None, ...]
    finished: bool
    reel: str


@dataclass(slots=True)
class _Card:
    """What is known of one folder while it is there."""

    folder: CardFolder
    identity: Identity
    rule: WatchRule | None
    destination: Path | None
    seen: Fingerprint | None = None
    seen_since: float = 0.0
    next_look: float = 0.0
    waiting: bool = False
    told: str = ""

    @property
    def name(self) -> str:
        return self.folder.name

    @property
    def path(self) -> Path:
        return self.folder.path


class Cards:
    """All folders that may be cards, and what was done about them."""

    def __init__(self, settings: Settings, offload: Offload, say: Say, stop: threading.Event) -> None:
        self._settings = settings
        self._offload = offload
        self._say = say
        self._stop = stop
        self._disk = Disk()
        self._there: dict[Path, _Card] = {}
        self._tried: dict[Path, _Tried] = {}
        self._told: dict[Path, str] = {}

    @property
    def pause(self) -> float:
        """Seconds until the next look: shorter while a card waits to be quiet."""
        if any(card.waiting for card in self._there.values()):
            return min(self._settings.poll_seconds, self._settings.quiet_seconds / 4)
        return self._settings.poll_seconds

    def look(self) -> bool:
        """Look at every folder once and offload at most one card. Returns whether one was offloaded."""
        there = self._folders()
        for path in self._there.keys() - there.keys():
            self._gone(path)
        for folder in there.values():
            card = self._meet(folder)
            if card is not None and self._is_ready(card):
                self._take(card)
                return True
        return False

    # --- what is there -----------------------------------------------------------------------------

    def _folders(self) -> dict[Path, CardFolder]:
        """Each watch folder on its own: one that can't be listed must not hide the others."""
        found: dict[Path, CardFolder] = {}
        for watched in self._settings.watch_folders:
            try:
                found |= {folder.path: folder for folder in list_card_folders([watched])}
                trouble = "" if watched.expanduser().exists() else "this watch folder is not there (yet)"
            except (AppError, OSError) as error:
                trouble = str(error)
            if trouble and trouble != self._told.get(watched):
                self._say(f"{shown(watched)}: {trouble}")
            self._told[watched] = trouble
        return found

    def _meet(self, folder: CardFolder) -> _Card | None:
        """The card at this folder; another one, if what is there now is not what was there before."""
        identity = identity_of(folder.path)
        card = self._there.get(folder.path)
        if card is not None and card.identity != identity:
            self._gone(folder.path)
            card = None
        if card is None and identity is not None:
            rule = match_rule(self._settings.watch, folder.path.name)
            inside = destination_inside(self._settings, folder.path)
            card = self._there[folder.path] = _Card(folder, identity, rule, inside)
        return card

    def _gone(self, path: Path) -> None:
        card = self._there.pop(path)
        tried = self._tried.get(path)
        if tried is not None and not tried.finished:
            del self._tried[path]  # so that it is taken up again when it comes back
            self._say(
                f"{card.name}: gone before its offload was complete. Put it back: it goes on from there."
            )
        elif card.waiting:
            self._say(f"{card.name}: gone before it was offloaded; nothing was copied.")
        elif card.seen is not None:
            self._say(f"{card.name}: taken out.")

    # --- whether it is to be offloaded ---------------------------------------------------------------

    def _is_ready(self, card: _Card) -> bool:
        if card.destination is not None:
            place = shown(card.destination)
            self._tell(card, f"{card.name}: no card, it holds the destination {place}.")
            return False
        if card.rule is None:
            self._name_unmatched(card)
            return False
        before = time.monotonic()
        if before < card.next_look:
            return False
        listing = self._list(card)
        after = time.monotonic()
        card.next_look = before + (after - before) * LISTING_SHARE
        if listing is None:
            return False
        card.told = ""
        self._notice(card, fingerprint_of(listing), after)
        return card.waiting and before - card.seen_since >= self._settings.quiet_seconds

    def _list(self, card: _Card) -> Listing | None:
        """The card's listing, or None when there is nothing to offload (said, if it should be known)."""
        try:
            listing = read_card(card.path, self._disk)
        except AppError as error:
            self._tell(card, f"{card.name}: {error}")
            return None
        if listing.files:
            return listing
        unread = [thing.reason for thing in listing.left_out if not thing.junk]
        if unread:
            self._tell(card, f"{card.name}: there is nothing on it that can be read: {unread[0]}.")
        elif card.seen is not None:
            self._gone(card.path)  # it was taken out, and the folder at which it was mounted has stayed
        return None

    def _notice(self, card: _Card, seen: Fingerprint, now: float) -> None:
        """Compare with the last look and say what there is to say about it, once."""
        if seen == card.seen:
            card.waiting = card.waiting or self._drives_are_back(card, seen)
            return
        first = card.seen is None
        card.seen, card.seen_since = seen, now
        tried = self._tried.get(card.path)
        if tried is not None and tried.listing == seen:
            card.waiting = False
            if first and tried.finished:
                self._say(
                    f"{card.name}: unchanged since it was offloaded as reel {tried.reel}; nothing to do. "
                    "To have its copies looked at again, run `rushlight offload` on it."
                )
            return
        wait = f"waiting until nothing has changed for {self._settings.quiet_seconds:g} s"
        if first:
            self._say(f"{card.name}: found at {shown(card.path)} with {seen}; {wait}.")
        elif not card.waiting:
            self._say(f"{card.name}: changed since its offload, now {seen}; {wait}.")
        card.waiting = True

    def _drives_are_back(self, card: _Card, seen: Fingerprint) -> bool:
        """Whether an offload that was not complete may do better now: other drives are plugged in."""
        tried = self._tried.get(card.path)
        if tried is None or tried.finished or tried.listing != seen or card.rule is None:
            return False
        if tried.drives == self._drives(card.rule):
            return False
        self._say(
            f"{card.name}: the drives have changed since its offload was left incomplete; trying again."
        )
        return True

    def _drives(self, rule: WatchRule) -> tuple[Identity | None, ...]:
        return tuple(_drive_below(path) for path in rule_destinations(self._settings, rule))

    def _name_unmatched(self, card: _Card) -> None:
        if card.told or _is_empty(card.path):
            return
        config = self._settings.home / CONFIG_NAME
        self._tell(
            card,
            f"{card.name}: found at {shown(card.path)}, but no rule matches it, so it is left alone. "
            f"If it is a card, add to {config} and start the watch again:",
        )
        for line in lines_to_add(self._settings, card.path.name):
            self._say(f"  {line}")

    def _tell(self, card: _Card, text: str) -> None:
        """Say it, unless it is what was said of this card last."""
        if text != card.told:
            card.told = text
            self._say(text)

    # --- the offload ---------------------------------------------------------------------------------

    def _take(self, card: _Card) -> None:
        rule, listing = card.rule, card.seen
        assert rule is not None and listing is not None, "only such cards are ready"
        to = rule_destinations(self._settings, rule)
        order = OffloadOrder(card=card.path, to=to, production=rule.production, camera=rule.camera)
        places = " and ".join(shown(path) for path in to)
        self._say(f"{card.name}: offloading {listing} to {places}. Leave the card in.")
        following = Following(card.name, card.path, card.identity, self._say, self._stop)
        report = self._run(card, order, following)
        pulled = following.pulled or identity_of(card.path) != card.identity or _is_empty(card.path)
        finished = report is not None and report.exit_code == EXIT_DONE
        reel = report.reel if report is not None else ""
        self._tried[card.path] = _Tried(listing, self._drives(rule), finished, reel)
        card.waiting = False
        card.next_look = 0.0
        if pulled:
            self._gone(card.path)
        elif not finished:
            self._say(
                f"{card.name}: not complete. Mend what is named above; it is tried again when the card is "
                "put in again, changes, or a missing drive is back."
            )

    def _run(self, card: _Card, order: OffloadOrder, following: Following) -> OffloadReport | None:
        try:
            report = self._offload(order, following)
        except AppError as error:
            self._say(f"{card.name}: the offload stopped: {error}")
            return None
        except Exception as error:  # the loop's edge: one card's bug must not end the watch
            log.exception("offload of %s", card.name)
            self._say(
                f"{card.name}: the offload stopped on an error nobody foresaw ({type(error).__name__})."
            )
            return None
        for line in lines_about(report):
            self._say(f"{card.name}: {line}")
        return report


def _drive_below(path: Path) -> Identity | None:
    """This folder, or what of its path there is: another one once the drive is plugged in or it is made."""
    for place in (path, *path.parents):
        try:
            found = place.stat()
        except OSError:
            continue
        return found.st_dev, found.st_ino
    return None


def _is_empty(folder: Path) -> bool:
    try:
        with os.scandir(folder) as entries:
            return next(entries, None) is None
    except OSError:
        return True
