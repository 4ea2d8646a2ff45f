"""How fast two recordings of half an hour are compared, from the files to the answer. Prints × real time.

    python -m tests.bench.bench_sync

The sound is a wave file of 48 kHz, 24 bit and two channels; the picture is a MOV with AAC where FFmpeg's
command is installed, and else a wave file as well. The target: more than 20 × real time on two cores.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
import time
import wave
from fractions import Fraction
from pathlib import Path

import numpy as np
from scipy.signal import resample_poly

from ingest.sound.measure import Recording, measure_pair
from sample_media.sound import pack_pcm24
from shared.settings import load_settings
from tests.ingest.sound_signals import RATE, Microphone, Signal, record, speak, truth_of

SECONDS = 1800
_FILE_RATE = 48_000
_BLOCK = 60 * RATE


def write_wave(path: Path, samples: Signal) -> Path:
    """48 kHz, 24 bit, the same on both channels."""
    with wave.open(str(path), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(3)
        file.setframerate(_FILE_RATE)
        for start in range(0, len(samples), _BLOCK):
            block = resample_poly(samples[start : start + _BLOCK], _FILE_RATE // RATE, 1)
            file.writeframes(pack_pcm24(np.repeat(block[:, np.newaxis], 2, axis=1).clip(-0.9, 0.9)))
    return path


def make_picture(sound: Path) -> Path:
    if shutil.which("ffmpeg") is None:
        return sound
    path = sound.with_suffix(".mov")
    picture = ("-f", "lavfi", "-i", f"testsrc=s=320x180:r=25:d={SECONDS}")
    codec = ("-c:v", "mpeg4", "-b:v", "2M", "-c:a", "aac")
    subprocess.run(["ffmpeg", "-v", "error", "-y", "-i", sound, *picture, *codec, path], check=True)
    return path


def main() -> None:
    truth = truth_of(300, -20e-6, 0, 20e-6)
    with tempfile.TemporaryDirectory(prefix="rushlight-bench-") as folder:
        source = speak(SECONDS + 300, 1)
        near = write_wave(
            Path(folder) / "sound.wav", record(source, 0, SECONDS, 20e-6, Microphone(20, 0.2, 8, 1, 1))
        )
        far = record(source, 300, SECONDS, -20e-6, Microphone(3, 0.5, 0, 0.1, 2))
        picture = make_picture(write_wave(Path(folder) / "picture.wav", far))
        del source, far
        start = time.perf_counter()
        found = measure_pair(
            Recording(((picture, Fraction(0)),), Fraction(SECONDS)),
            Recording(((near, Fraction(0)),), Fraction(SECONDS)),
            Fraction(truth.offset) + 400,
            Fraction(600),
            load_settings(home=Path(folder)),
        )
        seconds = time.perf_counter() - start
    error = "none" if found.offset is None else f"{abs(float(found.offset) - truth.offset) * 1000:.4f} ms"
    print(
        f"{SECONDS} s of {picture.suffix} with {SECONDS} s of {near.suffix}: {seconds:.1f} s, "
        f"{SECONDS / seconds:.0f} × real time; error {error}, confidence {found.confidence:.2f}"
    )


if __name__ == "__main__":
    main()
