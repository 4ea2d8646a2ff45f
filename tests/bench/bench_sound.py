"""How fast all sound measures of a file are taken, beside FFmpeg's own loudness meter. Prints × real time.

    python -m tests.bench.bench_sound [--seconds 600]

Two channels of 48 kHz, 24 bit, in a wave file, and the same as AAC beside a picture. Both programs measure
the same file in turn, and the better of two runs counts for each: `ebur128=peak=true` of `ffmpeg`,
which gives loudness and true peak, against everything in `ingest.measure`. Seconds of the processor are given
too, which other work on the machine disturbs less. The target: more than 100 × real time on two cores.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
import wave
from pathlib import Path

import numpy as np
from scipy.signal import resample_poly

from sample_media.sound import pack_pcm24
from tests.ingest.sound_signals import SOURCE_RATE, speak

_RATE = 48_000
_PIECE = 60  # seconds, repeated
# The pass in a process of its own, as in the pool: one thread, and its libraries loaded beforehand.
_PASS = """
import sys, time
from pathlib import Path
from ingest.measure.sound_pass import measure_sound
start, used = time.perf_counter(), time.process_time()
found = measure_sound(Path(sys.argv[1]))
elapsed, used = time.perf_counter() - start, time.process_time() - used
# Not getrusage, whose maximum begins with the parent's.
peak = next(line for line in open("/proc/self/status") if line.startswith("VmHWM")).split()[1]
print(elapsed, used, int(peak) / 1024, len(found.channels))
"""


def make_wave(path: Path, seconds: int) -> Path:
    """Speech on a lavalier and, farther away, on a shotgun."""
    voice = resample_poly(speak(_PIECE, 1), _RATE // SOURCE_RATE, 1)
    rng = np.random.default_rng(2)
    noise = rng.standard_normal((len(voice), 2)) * (3e-4, 1e-3)
    far = np.roll(voice, 110) * 0.5
    piece = pack_pcm24((np.stack([voice, far], axis=1) + noise).clip(-0.98, 0.98))
    with wave.open(str(path), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(3)
        file.setframerate(_RATE)
        for _ in range(-(-seconds // _PIECE)):
            file.writeframes(piece)
    return path


def make_movie(sound: Path, seconds: int) -> Path:
    path = sound.with_suffix(".mp4")
    picture = ("-f", "lavfi", "-i", f"testsrc=s=320x180:r=25:d={seconds}")
    codec = ("-c:v", "mpeg4", "-b:v", "4M", "-c:a", "aac", "-b:a", "192k", "-shortest")
    subprocess.run(["ffmpeg", "-v", "error", "-y", "-i", sound, *picture, *codec, path], check=True)
    return path


def run_pass(path: Path) -> tuple[float, float, float]:
    """Seconds by the clock and of the processor, and the most memory, MiB."""
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    done = subprocess.run(
        [sys.executable, "-c", _PASS, str(path)], env=environment, capture_output=True, text=True, check=True
    )
    elapsed, used, peak, channels = map(float, done.stdout.split())
    assert channels == 2, "both channels are measured"
    return elapsed, used, peak


def run_ffmpeg(path: Path) -> tuple[float, float, float]:
    command = ["ffmpeg", "-v", "error", "-nostdin", "-vn", "-i", str(path), "-af", "ebur128=peak=true"]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    subprocess.run([*command, "-f", "null", "-"], check=True)
    elapsed = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return elapsed, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, 0.0


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=int, default=600)
    seconds = -(-parser.parse_args().seconds // _PIECE) * _PIECE
    with tempfile.TemporaryDirectory(prefix="rushlight-bench-") as folder:
        sound = make_wave(Path(folder) / "sound.wav", seconds)
        files = [sound]
        has_ffmpeg = shutil.which("ffmpeg") is not None
        if has_ffmpeg:
            files.append(make_movie(sound, seconds))
        for path in files:
            runs = {"all measures": run_pass} | ({"ffmpeg ebur128": run_ffmpeg} if has_ffmpeg else {})
            times = {name: [run(path), run(path)] for name, run in runs.items()}
            for name, both in times.items():
                elapsed, used = min(one[0] for one in both), min(one[1] for one in both)
                peak = max(one[2] for one in both)
                memory = f", {peak:.0f} MiB at most" if peak else ""
                print(
                    f"{seconds} s of {path.suffix}, {name}: {seconds / elapsed:.0f} × real time by clock, "
                    f"{seconds / used:.0f} × by the processor{memory}"
                )


if __name__ == "__main__":
    main()
