"""Rules of the wrap report for what can't wait: copies, must-shots, people and places, damaged takes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from math import ceil

from shared.models import Severity
from shared.plan.coverage import INTERVIEW, TONE
from shared.plan.pieces import DEAD, HEARD, NG, SOUND, Piece
from shared.plan.wishes import WishState, WishStatus
from shared.plan.wrap import ReelSafety, Shoot, WrapGroup, WrapLine, counted, name_some, people_standing
from shared.words import fold_name

MEGABYTE = 1_000_000
_CHILD = "child"
_CAN_BE_FETCHED = (WishStatus.MISSING, WishStatus.POSSIBLE)


def unsafe(shoot: Shoot) -> Iterator[WrapLine]:
    """Reels whose files are not proven often enough or were not read, or whose copies differ."""
    for reel in shoot.reels:
        if shoot.is_today(reel.day):
            yield from _unsafe_reel(shoot, reel)


def _unsafe_reel(shoot: Shoot, reel: ReelSafety) -> Iterator[WrapLine]:
    copies = shoot.thresholds["copies"]
    seconds = 2 * reel.unproven_bytes / (shoot.thresholds["copy-megabytes"] * MEGABYTE)
    minutes = max(1, ceil(seconds / 60))
    about = (WrapGroup.UNSAFE, "reel", reel.reel)
    if reel.failed:
        yield _line(
            *about,
            "card-not-read",
            f"{counted(reel.failed, 'file')} of {reel.files} could not be read from the card: "
            f"{name_some(reel.names)}",
            reel.failed,
            "files",
            "Every file of a card is read whole before the card is formatted.",
            "Keep the card as it is; try another reader and offload it again.",
            minutes,
        )
    if reel.unproven:
        yield _line(
            *about,
            "copies",
            f"{counted(reel.unproven, 'file')} of {reel.files} with fewer than {copies} verified copies",
            reel.unproven,
            "files",
            f"Every file has {copies} verified copies at {copies} destinations.",
            "Offload the card again to another drive (rushlight offload).",
            minutes,
        )
    if reel.bad_copies:
        yield _line(
            *about,
            "copies-differ",
            f"{counted(reel.bad_copies, 'copy', 'copies')} missing or not what was read from the card",
            reel.bad_copies,
            "copies",
            "A copy reads as the card did.",
            "Mend them from a good copy (rushlight check --repair).",
            minutes,
        )
    if reel.refusals and not (reel.failed or reel.unproven or reel.bad_copies):
        yield _line(
            *about,
            "card-refused",
            f"its card was not to be formatted when that was last judged: {'; '.join(reel.refusals)}",
            len(reel.refusals),
            "reasons",
            "Copies stand on different drives, and none of them on the card's own.",
            "Ask again with the card and both drives plugged in (rushlight card CARD).",
            minutes,
        )
    if reel.unfinished:
        yield _line(
            *about,
            "offload-unfinished",
            "the last offload did not come to its end",
            1,
            "offloads",
            "An offload goes through to its end.",
            "Offload the card again; it goes on where it ended.",
            minutes,
        )


def cannot_wait(shoot: Shoot) -> Iterator[WrapLine]:
    """Must-shots without a usable second, people and things without a release, rooms without tone."""
    for state in shoot.wishes:
        if state.wish.need == "must" and _is_due(shoot, state) and state.status in _CAN_BE_FETCHED:
            yield _missing(shoot, state)
    yield from _uncleared_people(shoot)
    yield from _uncleared_others(shoot)
    yield from _silent_rooms(shoot)


def _is_due(shoot: Shoot, state: WishState) -> bool:
    """On its day; without one on the last day, when nothing comes after."""
    if state.wish.day is None:
        return shoot.day is None or shoot.day == shoot.last_day
    return shoot.day is None or state.wish.day == shoot.day


def _missing(shoot: Shoot, state: WishState) -> WrapLine:
    wish = state.wish
    said = f"{wish.code} {wish.what}"
    if state.status is WishStatus.POSSIBLE and (best := state.best) is not None:
        return _line(
            WrapGroup.NOW,
            "wish",
            said,
            "must-unconfirmed",
            f"no shot is confirmed; {best.piece.name} may be it ({best.percent} %)",
            float(best.piece.usable),
            "s",
            "A must-shot is seen and confirmed before leaving.",
            f"Look at it, and confirm it: rushlight answer {wish.code} {best.piece.take.name}",
            shoot.thresholds["log-minutes"],
            wish.id,
        )
    minutes = "interview-minutes" if wish.kind == INTERVIEW else "shot-minutes"
    return _line(
        WrapGroup.NOW,
        "wish",
        said,
        "must-missing",
        f"0 of {wish.seconds} usable seconds",
        0,
        "s",
        "A must-shot has usable seconds.",
        _take(state),
        shoot.thresholds[minutes],
        wish.id,
    )


def _take(state: WishState) -> str:
    wish = state.wish
    how = dict.fromkeys(word for word in (wish.kind, wish.size, wish.angle) if word)
    where = f" at {wish.place}" if wish.place else ""
    with_whom = f" with {', '.join(wish.people)}" if wish.people else ""
    return f"Take it{where}{with_whom}{': ' + ', '.join(how) if how else ''}, {wish.seconds} s or more."


def _uncleared_people(shoot: Shoot) -> Iterator[WrapLine]:
    cleared, known = people_standing(shoot.releases)
    clips: dict[str, list[str]] = defaultdict(list)
    minors: list[tuple[str, int]] = []
    for take in shoot.todays_takes:
        if take.said.rating == NG:
            continue
        for person in take.people:
            clips[person].append(take.name)
        if take.said.sensitive == _CHILD and not _child_is_cleared(shoot, take.people, take.id):
            minors.append((take.name, take.id))
    minutes = shoot.thresholds["release-minutes"]
    for person, names in sorted(clips.items()):
        if person not in cleared:
            standing = known.get(person, "none on file")
            yield _line(
                WrapGroup.NOW,
                "person",
                person,
                "release-missing",
                f"seen or heard in {counted(len(names), 'clip')} ({name_some(names)}); release: {standing}",
                len(names),
                "clips",
                "Whoever is recognised has signed, before the shoot leaves.",
                "Have the release signed, and note it: rushlight release.",
                minutes,
            )
    for name, key in minors:
        yield _line(
            WrapGroup.NOW,
            "clip",
            name,
            "minor-release",
            "a child is seen, without a guardian's signature",
            1,
            "clips",
            "For a minor a guardian signs, as local law has it.",
            "Find the guardian, or keep the child out of the film.",
            minutes,
            key,
        )


def _child_is_cleared(shoot: Shoot, people: tuple[str, ...], clip: int) -> bool:
    return any(
        release.cleared
        and release.kind in ("minor", "group")
        and (release.subject in people or clip in release.clips)
        for release in shoot.releases
    )


def _uncleared_others(shoot: Shoot) -> Iterator[WrapLine]:
    """Groups, places and works that somebody noted as needing a release, where they were filmed today."""
    today = {take.id: take for take in shoot.todays_takes if take.said.rating != NG}
    for release in shoot.releases:
        if release.cleared or release.kind in ("person", "minor"):
            continue
        shown = [take.name for key, take in today.items() if key in release.clips]
        if release.kind == "place":
            place = fold_name(release.subject)
            shown += [one.name for one in today.values() if fold_name(one.said.place) == place]
        names = list(dict.fromkeys(shown))
        if names:
            yield _line(
                WrapGroup.NOW,
                release.kind,
                release.subject,
                "release-missing",
                f"filmed in {counted(len(names), 'clip')} ({name_some(names)}); release: {release.standing}",
                len(names),
                "clips",
                "Who owns a place or a work agrees before it is shown.",
                "Have the release signed, and note it: rushlight release.",
                shoot.thresholds["release-minutes"],
                release.id,
            )


def _silent_rooms(shoot: Shoot) -> Iterator[WrapLine]:
    wanted = shoot.thresholds["tone-seconds"]
    rooms: dict[str, str] = {}
    for piece in shoot.todays_pieces:
        if piece.said.kind == INTERVIEW and piece.said.place and not piece.is_bad:
            rooms.setdefault(fold_name(piece.said.place), piece.said.place)
    for key, place in rooms.items():
        tones = [one for one in shoot.pieces if one.said.kind in TONE and fold_name(one.said.place) == key]
        seconds = float(sum(one.usable for one in tones))
        if seconds < wanted:
            yield _line(
                WrapGroup.NOW,
                "place",
                place,
                "room-tone",
                f"{seconds:.0f} of {wanted} s of room tone",
                seconds,
                "s",
                f"A room with an interview has {wanted} s of room tone, with the same microphones.",
                "Everybody still, same microphones, and record.",
                shoot.thresholds["tone-minutes"],
            )


# -- damaged ----------------------------------------------------------------------------------------


def damaged(shoot: Shoot) -> Iterator[WrapLine]:
    """Wishes that were taken and can't be used, and takes of weight with much of them flagged."""
    for state in shoot.wishes:
        if state.status is WishStatus.DAMAGED and _is_due(shoot, state):
            yield _damaged_wish(shoot, state)
    for piece in shoot.todays_pieces:
        line = _damaged_take(shoot, piece)
        if line is not None:
            yield line


def _damaged_wish(shoot: Shoot, state: WishState) -> WrapLine:
    wish = state.wish
    suggested = [one.piece for one in state.suggestions if not one.piece.usable]
    taken = list(state.answers) or suggested
    reasons = list(dict.fromkeys(why_unusable(one) for one in taken[:3]))
    minutes = "interview-minutes" if wish.kind == INTERVIEW else "shot-minutes"
    return _line(
        WrapGroup.DAMAGED,
        "wish",
        f"{wish.code} {wish.what}",
        "wish-damaged",
        f"taken ({name_some([one.name for one in taken])}), 0 of {wish.seconds} usable seconds: "
        f"{'; '.join(reasons)}",
        0,
        "s",
        "A wanted shot has usable seconds.",
        _take(state),
        shoot.thresholds[minutes],
        wish.id,
    )


def why_unusable(piece: Piece) -> str:
    """In words: rated NG, unreadable, or what was noticed."""
    if piece.take.unreadable:
        return piece.take.unreadable.rstrip(".")
    if piece.said.rating == NG:
        return "rated NG"
    flags = sorted(piece.flags, key=lambda flag: flag.severity is not Severity.FAULT)
    return flags[0].message.rstrip(".") if flags else "nobody rated it"


def _damaged_take(shoot: Shoot, piece: Piece) -> WrapLine | None:
    if piece.said.rating == NG or piece.said.kind in ("ng", "test"):
        return None
    take = piece.take
    if take.unreadable:
        if piece.moment is not None:
            return None
        return _line(
            WrapGroup.DAMAGED,
            "clip",
            take.name,
            "clip-unreadable",
            take.unreadable.rstrip("."),
            0,
            "s",
            "A take that was recorded whole can be read.",
            "Keep the card, and take it again if it can be.",
            shoot.thresholds["shot-minutes"],
            take.id,
        )
    matters = piece.said.kind in HEARD or piece.said.rating in ("circled", "good")
    share = shoot.thresholds["flagged-percent"]
    if not matters or not piece.seconds or piece.flagged * 100 < piece.seconds * share:
        return None
    worst = max(
        piece.flags, key=lambda flag: (flag.span is not None or flag.code in DEAD, flag.severity == "fault")
    )
    fix = (
        "Listen; is it on another channel or on the recorder? Else take it again."
        if worst.code.startswith(SOUND)
        else "Look at it, and take it again."
    )
    minutes = "interview-minutes" if piece.said.kind == INTERVIEW else "shot-minutes"
    return _line(
        WrapGroup.DAMAGED,
        "clip",
        piece.name,
        worst.code,
        f"{float(piece.flagged):.0f} of {float(piece.seconds):.0f} s flagged: {worst.message.rstrip('.')}",
        float(piece.flagged),
        "s",
        worst.rule or "A take has no open finding.",
        fix,
        shoot.thresholds[minutes],
        take.id,
    )


def _line(
    group: WrapGroup,
    about: str,
    name: str,
    code: str,
    text: str,
    number: float,
    unit: str,
    rule: str,
    fix: str,
    minutes: int,
    key: int | None = None,
) -> WrapLine:
    return WrapLine(group, code, about, name, text, number, unit, rule, fix, minutes, key)
