"""What `demo` does: the whole job on the sample cards of an invented film."""

from __future__ import annotations

import shlex
import shutil
import sys
from dataclasses import fields
from pathlib import Path, PurePath
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.cli.app import Root
from api.cli.demo_outline import enter_outline, show_outline
from api.cli.demo_words import enter_channels, enter_transcripts, write_to_footage
from api.cli.find import print_rows
from api.cli.offload import Terminal, print_verdict
from api.cli.problems import print_problems
from api.cli.sync import compare_sound, print_pairs
from api.cli.wrap import print_wrap
from api.handover import write_handover
from ingest.orders import OffloadOrder
from ingest.pipeline import run_offload
from sample_media.production import Clip as SampleClip
from sample_media.production import Log as SampleLog
from sample_media.production import Production as Sample
from sample_media.production import load_plan, load_production
from sample_media.recipe import SampleCard, make_cards
from shared.catalogue.clip_rows import clip_rows
from shared.catalogue.lenses import set_lens, set_microphone
from shared.catalogue.log import apply_changes, find_one_clip, parse_assignments, production_vocabulary
from shared.catalogue.plan import put_answer
from shared.catalogue.plan_merge import merge_plan
from shared.catalogue.plan_values import find_wish
from shared.catalogue.productions import find_production, make_production, set_camera, set_day
from shared.catalogue.releases import put_release, release_values
from shared.catalogue.rows import RowsEdit
from shared.catalogue.search import find_clips
from shared.catalogue.wrap import read_plan_state, read_wrap
from shared.db import reading, writing
from shared.errors import ConflictError
from shared.models import AnswerState, CameraKind, Lens, Person, Production, ZoneRule
from shared.plan.files import parse_plan
from shared.settings import load_settings
from shared.timecode import Rate
from shared.vocabulary import load_vocabulary

SHOWN_OF_WRAP = 6  # lines
QUERIES = ("kind:interview", "ferry -rating:ng", "camera:D angle:aerial", "has:finding")


def run_demo(into: Path) -> None:
    """Make everything below `into`, a new or empty folder. Raises ConflictError for any other."""
    into = into.absolute()
    if into.exists() and any(into.iterdir()):
        raise ConflictError(
            "this folder is not empty", path=str(into), remedy="Remove it or choose another: --into DIR"
        )
    into.mkdir(parents=True, exist_ok=True)
    root = Root(load_settings(home=into / "home"))
    sample = load_production()
    say(root, f"making the cards of “{sample.name}”")
    cards = make_cards(into / "cards")
    destinations = (into / "drive-1", into / "drive-2")
    for destination in destinations:
        destination.mkdir()
    enter_production(root, sample)
    for card in cards:
        offload_card(root, card, destinations)
    enter_log(root, sample)
    pair_sound(root)
    say(root, "what was said in the interviews")
    number = enter_transcripts(root, sample, into / "transcripts")
    root.out.print(f"  {number} transcripts taken in", markup=False)
    enter_plan(root, sample)
    enter_outline(root, sample)
    search(root)
    show_wrap(root)
    say(root, "rushlight outline")
    show_outline(root)
    folder = hand_over(root, into / "for-the-editor")
    say(root, "where everything is")
    for label, path in (
        ("cards", into / "cards"),
        ("transcripts", into / "transcripts"),
        ("first copies", destinations[0]),
        ("second copies", destinations[1]),
        ("catalogue", root.settings.home),
        ("hand-over", folder),
    ):
        root.out.print(f"  {label:<14} {path}", markup=False)
    command = shlex.join([f"RUSHLIGHT_HOME={root.settings.home}", program(), "serve"])
    root.out.print(f"\nLook at it in a browser: {command}", markup=False)


def program() -> str:
    """How this program can be called again: by its path, unless it is found without one."""
    beside = Path(sys.executable).with_name("rushlight")
    return str(beside) if beside.exists() and shutil.which("rushlight") != str(beside) else "rushlight"


def say(root: Root, text: str) -> None:
    root.out.print(f"\n== {text}", style="bold", markup=False)


def enter_production(root: Root, sample: Sample) -> None:
    """The production, its days with their goals, and the kit list."""
    with writing(root.sessions) as session:
        production = make_production(
            session,
            sample.name,
            rate=Rate.parse(sample.rate),
            zone=sample.zone,
            day_starts=sample.day_starts,
        )
        for day in sample.days:
            set_day(session, production, number=day.number, date=day.date, goal=day.goal)
        for lens in sample.lenses:
            set_lens(
                session,
                production,
                lens.name,
                focal=f"{lens.focal_min_mm}-{lens.focal_max_mm}",
                aperture=lens.max_aperture,
            )
        for microphone in sample.microphones:
            set_microphone(session, production, microphone.name, kind=microphone.kind)
        for camera in sample.cameras:
            made = set_camera(
                session,
                production,
                camera.letter,
                name=camera.name,
                kind=CameraKind(camera.kind),
                zone_rule=ZoneRule(camera.zone_rule),
            )
            made.clock_correction_ms = camera.clock_correction_ms
            made.default_lens_id = session.scalar(
                select(Lens.id).filter_by(production_id=production.id, name=camera.lens)
            )
        session.add_all(
            Person(production_id=production.id, name=person.name, role=person.role)
            for person in sample.people
        )


def offload_card(root: Root, card: SampleCard, destinations: tuple[Path, ...]) -> None:
    say(root, f"offloading card {card.label}, day {card.day}: {card.note}")
    order = OffloadOrder(
        card=card.path,
        to=destinations,
        camera=card.camera,
        reel=card.reel,
        day=card.day,
        card_label=card.label,
    )
    with Terminal(root) as terminal:
        report = run_offload(order, root.settings, root.sessions, terminal)
    for one in report.summary["destinations"]:
        root.out.print(f"  {one['destination']}: {one['verified']} of {one['files']} verified", markup=False)
    print_problems(root, report.problems)
    print_verdict(root, report.verdict)


def enter_log(root: Root, sample: Sample) -> None:
    say(root, "logging what was shot")
    base = load_vocabulary()
    with writing(root.sessions) as session:
        production = find_production(session, sample.name)
        vocabulary = production_vocabulary(session, production, base)
        for clip in sample.clips:
            found = find_one_clip(session, production, f"{clip.reel}/{clip.files[0].name}")
            changes = parse_assignments(assignments_of(clip), vocabulary)
            if changes:
                apply_changes(session, production, [found.id], changes, vocabulary, "demo")
        enter_channels(session, production, sample, vocabulary)
    root.out.print(f"  {len(sample.clips)} clips logged", markup=False)


def pair_sound(root: Root) -> None:
    """Find which of the recorder's sounds runs with which picture, by comparing what they hear."""
    say(root, "rushlight sync")
    pairs, problems = compare_sound(root)
    print_pairs(root, pairs)
    for problem in problems:
        root.out.print(f"  not compared: {problem}", markup=False)


def enter_plan(root: Root, sample: Sample) -> None:
    """The plan, written before the shoot; what answers it; and what was signed."""
    say(root, "the plan: what is wanted, and what answers it")
    name = PurePath("plan.md")
    plan, base = parse_plan(load_plan(), name), load_vocabulary()
    with writing(root.sessions) as session:
        production = find_production(session, sample.name)
        vocabulary = production_vocabulary(session, production, base)
        merge = merge_plan(session, production, plan, name, vocabulary, "demo")
        edit = RowsEdit(session, production, "demo", "answers and releases")
        for wish, clip in sample.answers:
            found = find_one_clip(session, production, clip)
            wanted = find_wish(session, production, wish)
            put_answer(edit, wanted, clip=found, moment=None, state=AnswerState.CONFIRMED)
        write_to_footage(edit, production, sample, vocabulary)
        for release in sample.releases:
            put_release(edit, None, release_values(session, production, release))
        edit.close()
        state = read_plan_state(session, production)
    seconds = sum(one.line.milliseconds for one in state.lines) / 1000
    root.out.print(
        f"  {len(merge.added)} entries taken in from plan.md; {seconds:.0f} s of narration, estimated; "
        f"{len(sample.answers)} wishes answered, {len(sample.releases)} releases",
        markup=False,
    )


def show_wrap(root: Root) -> None:
    say(root, "rushlight wrap --day 2")
    with reading(root.sessions) as session:
        report = read_wrap(session, find_production(session, None), 2)
    print_wrap(root, report, most=SHOWN_OF_WRAP)


def assignments_of(clip: SampleClip) -> list[str]:
    """The invented log of a clip as it would be typed."""
    log: SampleLog = clip.log
    words = []
    for field in fields(log):
        value: Any = getattr(log, field.name)
        if field.name == "people":
            words += [f"person+={name}" for name in value]
        elif field.name == "tags":
            words += [f"tag+={name}" for name in value]
        elif value:
            words.append(f"{field.name}={value}")
    if clip.lens:
        words.append(f"lens={clip.lens}")
    return words


def search(root: Root) -> None:
    base = load_vocabulary()
    for query in QUERIES:
        say(root, f"rushlight find {query}")
        with reading(root.sessions) as session:
            production, vocabulary = latest(session, base)
            page = find_clips(session, production, query, vocabulary)
            print_rows(root, clip_rows(session, page.clips, page.entries))
            root.out.print("1 clip" if page.total == 1 else f"{page.total} clips", markup=False)


def latest(session: Session, base: Any) -> tuple[Production, Any]:
    production = find_production(session, None)
    return production, production_vocabulary(session, production, base)


def hand_over(root: Root, folder: Path) -> Path:
    say(root, "handing over to the editor")
    folder.mkdir()
    base = load_vocabulary()
    with reading(root.sessions) as session:
        production, vocabulary = latest(session, base)
        page = find_clips(session, production, "", vocabulary)
        report = write_handover(session, production, page.clips, to=folder, settings=root.settings, query="")
    root.out.print(f"  {report.clips} clips, {len(report.files)} files", markup=False)
    for line in report.missing:
        root.out.print(f"  missing: {line}", markup=False)
    return report.folder
