"""`recognise` on a sample interview: from the copies on a drive to words that are found, and undone."""

from __future__ import annotations

import json
from importlib.util import find_spec
from pathlib import Path

import pytest
from sqlalchemy import select

from sample_media.production import load_production
from sample_media.recipe import make_card
from shared.catalogue.transcripts import cues_of
from shared.db import make_engine, make_sessions, reading
from shared.errors import EXIT_ERROR, EXIT_USAGE
from shared.models import ClipTranscript, TranscriptOrigin
from tests.api.shell import Shell

needs_recogniser = pytest.mark.skipif(
    find_spec("pocketsphinx") is None, reason="pocketsphinx (the extra `speech`) is not installed"
)
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def shell(tmp_path_factory: pytest.TempPathFactory) -> Shell:
    """The recorder's card of the interview in the wheelhouse, offloaded."""
    folder = tmp_path_factory.mktemp("recognise")
    sample = load_production()
    shell = Shell(folder / "home")
    shell.run("new", sample.name, "--rate", "25", "--zone", sample.zone)
    (folder / "drive").mkdir()
    card = next(card for card in sample.cards if card.reel == "S001")
    make_card(sample, card, folder / "card")
    shell.run("offload", folder / "card", "--to", folder / "drive", "--camera", "S", "--reel", "S001")
    return shell


def test_without_the_extra_or_a_model_it_says_what_to_do(shell: Shell, tmp_path: Path) -> None:
    shown = shell.run("recognise", "S001T01", "--model", tmp_path, expect=EXIT_USAGE)
    assert ("speech" in shown.stderr) and ("[speech]" in shown.stderr or "acoustic model" in shown.stderr)


@needs_recogniser
def test_an_interview_becomes_words_that_are_found(shell: Shell, tmp_path: Path) -> None:
    """With the general model inside the library's package, which understands a synthesiser through a
    lavalier in part; the words it is asked for here are those it gets, and that is all that is claimed."""
    from pocketsphinx import get_model_path

    model = get_model_path("en-us")
    told = shell.json("recognise", "S001T01", "--model", model, "--to", tmp_path, "--language", "en")
    (clip,) = told["clips"]
    assert clip["clip"] == "S001/S001T01" and clip["words"] > 5 and told["problems"] == []
    words = json.loads((tmp_path / "S001_S001T01.json").read_text())["words"]
    assert len(words) == clip["words"] and all(0 <= word["confidence"] <= 1 for word in words)
    # 532,800 samples at 48 kHz are 11.1 s; the interview's words begin 1.4 s into the file.
    assert words[0]["start"] > 1.0 and words[-1]["end"] <= 11.1
    assert (tmp_path / "S001_S001T01.vtt").read_text().startswith("WEBVTT")
    home = shell.home
    assert not list((home / "speech").iterdir()), "nothing is kept twice"
    engine = make_engine(f"sqlite:///{home / 'catalogue.db'}")
    with reading(make_sessions(engine)) as session:
        (row,) = session.scalars(select(ClipTranscript))
        assert (row.origin, row.language) == (TranscriptOrigin.RECOGNISED, "en")
        cues = cues_of(session, row.clip_id)
        least = min(word["confidence"] for word in words)
        assert min(cue.confidence_least or 0.0 for cue in cues) == pytest.approx(least, abs=1e-4)
        assert all(cue.confidence_mean is not None for cue in cues)
    engine.dispose()
    longest = max((word["word"] for word in words), key=len)
    assert [one["name"].rpartition("/")[2] for one in shell.json("find", longest)["clips"]] == ["S001T01"]
    again = shell.run("recognise", "S001T01", "--model", model, expect=EXIT_ERROR)
    assert "--replace" in again.stderr
    shell.run("undo")
    assert shell.json("find", longest)["clips"] == []
