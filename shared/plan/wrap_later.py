"""Rules of the wrap report for what is thin, and for the upkeep of the log."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

from shared.models import ClipMedia
from shared.plan.coverage import InterviewState, by_beat
from shared.plan.pieces import Take
from shared.plan.wishes import WishState, WishStatus
from shared.plan.wrap import Shoot, WrapGroup, WrapLine, counted, name_some

PRACTICE_SCENE = "A scene has a wide, a medium, details, a face, a point of view, a way in or out, and tone."
PRACTICE_INTERVIEW = "An interview has two sizes, the name spoken, a release, tone, and cutaways."
_CLOCK = "clock-"
# Kinds that are recorded with a picture, where they are sound alone. Common practice, no source.
VOICES = frozenset(("interview", "vox-pop", "piece-to-camera", "a-roll", "observed"))


def thin(shoot: Shoot) -> Iterator[WrapLine]:
    """Wishes, narration, scenes, interviews and people of whom there is something, and not enough."""
    for state in shoot.wishes:
        if shoot.day is None or state.wish.day in (None, shoot.day):
            line = _thin_wish(shoot, state)
        else:
            line = (
                _left_over(shoot, state)
                if state.wish.day is not None and state.wish.day < shoot.day
                else None
            )
        if line is not None:
            yield line
    yield from _narration(shoot)
    yield from _scenes(shoot)
    yield from _interviews(shoot)
    yield from _one_way(shoot)
    yield from _heights(shoot)


def _thin_wish(shoot: Shoot, state: WishState) -> WrapLine | None:
    wish = state.wish
    name = f"{wish.code} {wish.what}"
    minutes = shoot.thresholds["shot-minutes"]
    if state.status is WishStatus.THIN:
        return _line(
            "wish",
            name,
            "wish-thin",
            f"{float(state.usable):.0f} of {wish.seconds} usable seconds",
            float(state.usable),
            "s",
            "A wanted shot has the seconds that were asked for.",
            "Take it once more.",
            minutes,
            wish.id,
        )
    due_elsewhere = wish.need == "must" and (wish.day is not None or shoot.day in (None, shoot.last_day))
    if due_elsewhere or state.status not in (WishStatus.MISSING, WishStatus.POSSIBLE):
        return None
    if state.status is WishStatus.POSSIBLE and (best := state.best) is not None:
        return _line(
            "wish",
            name,
            "wish-unconfirmed",
            f"no shot is confirmed; {best.piece.name} may be it ({best.percent} %)",
            float(best.piece.usable),
            "s",
            "A person confirms what answers a wish.",
            f"Look at it: rushlight answer {wish.code} {best.piece.take.name}",
            shoot.thresholds["log-minutes"],
            wish.id,
        )
    return _line(
        "wish",
        name,
        "wish-missing",
        f"0 of {wish.seconds} usable seconds ({wish.need})",
        0,
        "s",
        "A wanted shot has usable seconds.",
        "Take it while you are here.",
        minutes,
        wish.id,
    )


def _left_over(shoot: Shoot, state: WishState) -> WrapLine | None:
    """A must-shot of a day that is over."""
    wish = state.wish
    if wish.need != "must" or state.status not in (WishStatus.MISSING, WishStatus.DAMAGED):
        return None
    return _line(
        "wish",
        f"{wish.code} {wish.what}",
        "must-left",
        f"planned for day {wish.day}, 0 usable seconds",
        0,
        "s",
        "A must-shot has usable seconds.",
        "Plan it anew: rushlight wish CODE day=N, or drop it.",
        shoot.thresholds["shot-minutes"],
        wish.id,
    )


def _narration(shoot: Shoot) -> Iterator[WrapLine]:
    """Only for the whole production, or on its last day: before, the rest may still come."""
    if shoot.day not in (None, shoot.last_day):
        return
    for state in shoot.lines:
        if state.usable >= state.wanted:
            continue
        how = "recorded" if state.line.recorded else "estimated"
        text = (
            f"{float(state.usable):.0f} of {float(state.wanted):.0f} usable seconds for "
            f"{state.line.milliseconds / 1000:.0f} s of narration ({how}), "
            f"{counted(state.shots, 'shot')}"
        )
        none = "" if state.wishes else "; no shot is wanted for it yet"
        yield _line(
            "narration",
            f"{state.line.code} {_short(state.line.text)}",
            "narration-thin",
            text + none,
            float(state.usable),
            "s",
            f"Footage for narration is {shoot.thresholds['footage-percent']} % of its length.",
            f"Shoot for it{': ' + state.line.picture if state.line.picture else ''}.",
            shoot.thresholds["shot-minutes"],
            state.line.id,
        )


def _short(text: str, longest: int = 50) -> str:
    return text if len(text) <= longest else text[: longest - 1].rstrip() + "…"


def _scenes(shoot: Shoot) -> Iterator[WrapLine]:
    beats = by_beat(shoot.todays_pieces)
    for scene in shoot.coverage.scenes:
        if scene.beat not in beats or not scene.missing:
            continue
        yield _line(
            "beat",
            scene.beat,
            "scene-incomplete",
            f"{counted(scene.clips, 'clip')}, {float(scene.usable):.0f} usable seconds, without: "
            f"{', '.join(scene.missing)}",
            len(scene.missing),
            "shots",
            PRACTICE_SCENE,
            f"Take what the scene needs of: {', '.join(scene.missing)}.",
            shoot.thresholds["shot-minutes"],
        )


def _interviews(shoot: Shoot) -> Iterator[WrapLine]:
    today = {person for take in shoot.todays_takes for person in take.people}
    for one in shoot.coverage.interviews:
        missing = [text for text in one.missing if text != "a release"]  # which is said of the person
        if one.person in today and missing:
            yield _interview(shoot, one, missing)


def _interview(shoot: Shoot, one: InterviewState, missing: Sequence[str]) -> WrapLine:
    return _line(
        "person",
        one.person,
        "interview-incomplete",
        f"interview of {float(one.usable):.0f} usable seconds ({name_some(one.takes)}), lacking: "
        f"{'; '.join(missing)}",
        len(missing),
        "things",
        PRACTICE_INTERVIEW,
        "Get it while the person is there.",
        shoot.thresholds["shot-minutes"],
    )


def _one_way(shoot: Shoot) -> Iterator[WrapLine]:
    """Beats in one size only, or with everything moving one way: hard to cut."""
    least = shoot.thresholds["direction-clips"]
    for beat, pieces in by_beat(shoot.todays_pieces).items():
        seen = [one for one in pieces if one.has_picture and not one.is_bad]
        sizes = [one.said.size for one in seen if one.said.size]
        ways = [one.said.direction for one in seen if one.said.direction in ("l-r", "r-l")]
        for code, said, what in (("one-size", sizes, "size"), ("one-direction", ways, "direction")):
            if len(said) >= least and len(set(said)) == 1:
                yield _line(
                    "beat",
                    beat,
                    code,
                    f"{counted(len(said), 'clip')}, all of one {what}: {said[0]}",
                    len(said),
                    "clips",
                    f"A beat is seen in more than one {what}.",
                    f"Take one in another {what}.",
                    shoot.thresholds["shot-minutes"],
                )


def _heights(shoot: Shoot) -> Iterator[WrapLine]:
    today = {person for piece in shoot.todays_pieces for person in piece.said.people}
    for one in shoot.coverage.heights:
        if one.one_sided is None or one.person not in today:
            continue
        said = ", ".join(f"{name} {float(seconds):.0f} s" for name, seconds in one.seconds)
        yield _line(
            "person",
            one.person,
            "height-one-sided",
            f"seen mostly from one height: {said}",
            float(dict(one.seconds)[one.one_sided]),
            "s",
            f"No height but eye level holds {shoot.thresholds['height-percent']} % of a person.",
            "Take one at eye level, unless it is meant so.",
            shoot.thresholds["shot-minutes"],
        )


# -- upkeep -----------------------------------------------------------------------------------------


def upkeep(shoot: Shoot) -> Iterator[WrapLine]:
    """The log: what nobody said yet. It can be done at home, while it is remembered."""
    takes = [take for take in shoot.todays_takes if not take.unreadable]
    minutes = shoot.thresholds["log-minutes"]
    checks: tuple[tuple[str, str, list[Take], str, str], ...] = (
        (
            "unlogged",
            "not logged",
            [take for take in takes if not take.logged],
            "Every clip is logged.",
            "Say what they are: rushlight log, or on the clip's page.",
        ),
        (
            "unrated",
            "logged and not rated",
            [take for take in takes if take.logged and not take.said.rating],
            "Every clip is rated.",
            "Rate them: rushlight log CLIP rating=good.",
        ),
        (
            "voice-unknown",
            "with a microphone that nobody's name is on",
            [take for take in takes if take.unknown_voices],
            "Whoever is heard is known by name.",
            "Say who: rushlight log CLIP ch1=lav:NAME.",
        ),
        (
            "sound-unmatched",
            "of a voice, recorded as sound alone, and matched with no picture",
            [
                take
                for take in takes
                if take.media is ClipMedia.AUDIO and take.said.kind in VOICES and not take.matched
            ],
            "Sync sound is matched with its picture, so that the hand-over says where it belongs.",
            "Match them: rushlight sync.",
        ),
        (
            "clock",
            "with a doubt about its clock",
            [take for take in takes if any(flag.code.startswith(_CLOCK) for flag in take.flags)],
            "Clocks agree.",
            "Put the clock right: rushlight clock.",
        ),
        (
            "interview-nameless",
            "an interview without a name",
            [take for take in takes if take.said.kind in ("interview", "vox-pop") and not take.people],
            "Whoever speaks is named, spelled as in a caption.",
            "Say who: rushlight log CLIP person=NAME.",
        ),
    )
    for code, text, found, rule, fix in checks:
        if found:
            names = [take.name for take in found]
            yield WrapLine(
                WrapGroup.UPKEEP,
                code,
                "clips",
                counted(len(found), "clip"),
                f"{text}: {name_some(names)}",
                len(found),
                "clips",
                rule,
                fix,
                minutes * len(found),
            )
    yield from _papers(shoot)
    yield from _dayless(shoot)


def _papers(shoot: Shoot) -> Iterator[WrapLine]:
    without: dict[str, int] = defaultdict(int)
    for release in shoot.releases:
        if release.cleared and not release.has_file:
            without[release.subject] += 1
    if without:
        yield WrapLine(
            WrapGroup.UPKEEP,
            "release-paper",
            "releases",
            counted(sum(without.values()), "release"),
            f"signed, without the paper on file: {name_some(sorted(without))}",
            sum(without.values()),
            "releases",
            "A signed release is kept with its hash.",
            "Photograph it, and add it: rushlight release NUMBER --file.",
            shoot.thresholds["log-minutes"] * sum(without.values()),
        )


def _dayless(shoot: Shoot) -> Iterator[WrapLine]:
    names = [take.name for take in shoot.takes if take.day is None]
    if names:
        yield WrapLine(
            WrapGroup.UPKEEP,
            "no-day",
            "clips",
            counted(len(names), "clip"),
            f"of no shooting day, and so in no day's report: {name_some(names)}",
            len(names),
            "clips",
            "Every clip belongs to a day.",
            "Say which: rushlight log CLIP day=2.",
            shoot.thresholds["log-minutes"],
        )


def _line(
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
    return WrapLine(WrapGroup.THIN, code, about, name, text, number, unit, rule, fix, minutes, key)
