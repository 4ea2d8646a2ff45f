"""The words of the sample interviews: their kept files, the clips that hold them, and their recipe."""

from __future__ import annotations

import ctypes
import re
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from sample_media.production import load_production
from sample_media.recipe import count_samples
from sample_media.sound import SAMPLE_RATE, hear
from sample_media.speak import FOLDER, SPEAKERS
from sample_media.transcripts import transcript_of
from shared.transcripts import read_transcript

RATES = {"A": Fraction(25), "S": Fraction(SAMPLE_RATE)}


def test_the_kept_files_are_small() -> None:
    assert sum(path.stat().st_size for path in FOLDER.iterdir()) <= 400_000
    assert {path.name for path in FOLDER.iterdir()} == {f"{n}.{e}" for n in SPEAKERS for e in ("flac", "vtt")}


def test_the_words_lie_within_the_clips_that_hold_them() -> None:
    production = load_production()
    found = {}
    for clip in production.clips:
        text = transcript_of(clip)
        if text is None:
            continue
        cues = read_transcript(text.encode(), clip.stem).cues
        length = sum(file.length for file in clip.files) / RATES[clip.reel[0]]
        assert cues[0].start >= 0 and cues[-1].end / 1e6 <= length, clip.key
        found[clip.key] = " ".join(cue.text for cue in cues)
        assert {cue.speaker for cue in cues} == set(clip.log.people)
    assert set(found) == {
        ("A001", "FERA0003"),
        ("S001", "S001T01"),
        ("A002", "FERA0007"),
        ("S002", "S002T01"),
    }
    assert found["A001", "FERA0003"] == found["S001", "S001T01"] == " ".join(SPEAKERS["nell"].sentences)


def test_there_is_a_voice_in_the_cues_and_none_between_them() -> None:
    """On the lavalier, whose room is 30 dB below a voice: energy is where the words say, to 50 ms."""
    clip = next(clip for clip in load_production().clips if clip.key == ("S001", "S001T01"))
    samples = hear(clip.sound, count_samples(clip.start), clip.files[0].length, clip.microphones)[:, 0]
    text = transcript_of(clip)
    assert text is not None
    spoken = np.zeros(len(samples), bool)
    for cue in read_transcript(text.encode(), clip.stem).cues:
        spoken[(cue.start - 50_000) * 48 // 1000 : (cue.end + 50_000) * 48 // 1000] = True
    inside, outside = (float(np.sqrt(np.mean(samples[here] ** 2))) for here in (spoken, ~spoken))
    assert inside > 20 * outside


def test_the_recipe_makes_the_same_words_and_sounds_again(tmp_path: Path) -> None:
    """eSpeak NG 1.51 (Debian 12); another version may speak otherwise."""
    try:
        ctypes.CDLL("libespeak-ng.so.1")
        said = subprocess.run(["espeak-ng", "--version"], capture_output=True, text=True).stdout
    except OSError:
        pytest.skip("espeak-ng (Debian) is not installed")
    if not re.search(r"\b1\.51\b", said):
        pytest.skip(f"this is not eSpeak NG 1.51: {said.strip()}")
    # In a process of its own: what it said before changes what it says next.
    subprocess.run([sys.executable, "-m", "sample_media.speak", str(tmp_path)], check=True)
    for name in SPEAKERS:
        for ending in ("vtt", "flac"):
            made, kept = ((folder / f"{name}.{ending}").read_bytes() for folder in (tmp_path, FOLDER))
            assert made == kept, (name, ending)
