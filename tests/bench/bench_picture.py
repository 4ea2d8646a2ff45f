"""How fast the whole set of measures runs, and how fast nine stills are taken. Prints × real time and ratios.

    python -m tests.bench.bench_picture [--seconds 120] [--folder DIR]

Takes of H.264 with a key frame a second, noise in them as of a sensor, and two channels of sound: UHD, 1080
lines, and UHD with a proxy of 720 lines that is measured in its place. Each is measured by the child process
that an offload uses. "still" shows a framing that stays and is evenly sharp; "hunting" one whose sharpness
swings, so that more of it is decoded whole. Stills: nine by our child, against nine calls of `ffmpeg -ss`
at equal size. The targets, on two cores: 8 × for UHD, 25 × for 1080 lines and with a proxy, stills 2.5 ×.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import tempfile
import time
from collections.abc import Callable
from fractions import Fraction
from functools import partial
from pathlib import Path

from ingest.media.facts import Facts
from ingest.media.pool import MediaPool
from shared.settings import load_settings

_PIECE = 4  # seconds that are encoded; the rest repeats them
_STILLS = 9
_SIZES = {"UHD": "3840x2160", "1080": "1920x1080"}
_RATES = {"UHD": "60M", "1080": "28M", "720": "6M"}
_X264 = ("-c:v", "libx264", "-preset", "veryfast", "-g", "25", "-pix_fmt", "yuv420p", "-bf", "2")


def ffmpeg(*arguments: str | Path) -> None:
    subprocess.run(["ffmpeg", "-v", "error", "-nostdin", "-y", *map(str, arguments)], check=True)


def make_take(folder: Path, lines: str, kind: str, seconds: int) -> Path:
    """A take of `seconds`, a whole number of pieces."""
    size = _SIZES[lines]
    piece, path = folder / f"{lines}-{kind}-piece.mp4", folder / f"{lines}-{kind}.mp4"
    # A still scene with plenty of detail, its picture scaled from one that is drawn once.
    scene = f"mandelbrot=s=960x540:r=25:end_pts=1:maxiter=400,loop=loop=-1:size=1,scale={size}:flags=bicubic"
    swing = ",boxblur=lr='2':enable='lt(mod(t,2),1)'" if kind == "hunting" else ""
    picture = ("-f", "lavfi", "-i", f"{scene}{swing},noise=alls=6:allf=t")
    sound = ("-f", "lavfi", "-i", "anoisesrc=a=0.02:r=48000,aformat=channel_layouts=stereo")
    coded = (*_X264, "-b:v", _RATES[lines], "-c:a", "aac", "-b:a", "192k", "-t", str(_PIECE))
    ffmpeg(*picture, *sound, *coded, piece)
    ffmpeg("-stream_loop", str(seconds // _PIECE - 1), "-i", piece, "-c", "copy", path)
    piece.unlink()
    return path


def make_proxy(path: Path, seconds: int) -> Path:
    proxy, piece = path.with_name(f"{path.stem}-proxy.mp4"), path.with_name("proxy-piece.mp4")
    small = ("-an", "-vf", "scale=1280:720", *_X264, "-b:v", _RATES["720"])
    ffmpeg("-i", path, "-t", str(_PIECE), *small, piece)
    ffmpeg("-stream_loop", str(seconds // _PIECE - 1), "-i", piece, "-c", "copy", proxy)
    return proxy


def facts_of(path: Path, seconds: int) -> Facts:
    return Facts(rate_num=25, rate_den=1, frames=seconds * 25, video_codec="h264", audio_codec="aac")


def timed(work: Callable[[], object], runs: int = 2) -> float:
    """The better of some runs, in seconds."""
    found = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        found.append(time.perf_counter() - start)
    return min(found)


def processor_seconds(pool: MediaPool) -> float:
    """Of all children so far, user and system, every thread of theirs (proc(5), fields 14 and 15)."""
    ticks = 0
    for pid in pool.child_pids():
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        ticks += int(fields[11]) + int(fields[12])
    return ticks / os.sysconf("SC_CLK_TCK")


def tell(pool: MediaPool, name: str, seconds: int, work: Callable[[], object]) -> None:
    """Run it, and print × real time by the clock, and by half the processor's seconds: two idle cores."""
    before = processor_seconds(pool)
    taken = timed(work, 1)
    used = (processor_seconds(pool) - before) / 2
    print(
        f"{name}: all measures {seconds / taken:.1f} × real time by the clock, at most "
        f"{seconds / used:.1f} × on two idle cores",
        flush=True,
    )


def measure(pool: MediaPool, take: Path, picture: Path, seconds: int) -> None:
    """What an offload asks for one take: its picture, of the take or its proxy, then its sound."""
    facts = facts_of(take, seconds)
    asked = pool.measure_picture(picture, facts, seconds), pool.measure_sound(take, seconds)
    pictures, sound = asked[0].result(), asked[1].result()
    assert pictures.numbers is not None and len(sound.channels) == 2, (pictures.problem, sound.problem)


def take_stills(pool: MediaPool, take: Path, into: Path) -> None:
    assert len(pool.describe(take, into, "still").result().stills) == _STILLS


def take_stills_by_calls(take: Path, into: Path, seconds: int, width: int) -> None:
    """Nine calls, each seeking to the same frame as ours."""
    for number in range(_STILLS):
        frame = seconds * 25 * (_STILLS - 1 + 8 * number) // (10 * (_STILLS - 1))
        at = f"{float(Fraction(frame, 25)):.3f}"
        ffmpeg("-ss", at, "-i", take, "-frames:v", "1", "-vf", f"scale={width}:-2", into / f"{number}.jpg")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=int, default=120)
    parser.add_argument("--folder", type=Path, help="where the takes are made; without it a temporary one")
    arguments = parser.parse_args()
    seconds = max(1, arguments.seconds // _PIECE) * _PIECE
    with tempfile.TemporaryDirectory(prefix="rushlight-bench-", dir=arguments.folder) as made:
        folder = Path(made)
        settings = load_settings(home=folder / "home", stills=_STILLS)
        takes = {(lines, kind): make_take(folder, lines, kind, seconds) for lines, kind in _KINDS}
        with MediaPool(settings, measuring=True) as pool:
            measure(pool, takes["1080", "still"], takes["1080", "still"], seconds)  # start the child
            for (lines, kind), take in takes.items():
                tell(pool, f"{lines} long-GOP, {kind}", seconds, partial(measure, pool, take, take, seconds))
            take = takes["UHD", "hunting"]
            proxy = make_proxy(take, seconds)
            tell(pool, "UHD with a proxy, hunting", seconds, partial(measure, pool, take, proxy, seconds))
        with MediaPool(settings) as pool:
            for lines in _SIZES:
                take = takes[lines, "still"]
                into = folder / "stills"
                into.mkdir(exist_ok=True)
                take_stills(pool, take, into)
                ours = timed(partial(take_stills, pool, take, into), 3)
                calls = partial(take_stills_by_calls, take, into, seconds, settings.still_width)
                theirs = timed(calls, 3)
                print(
                    f"{lines}, {_STILLS} stills: {ours:.2f} s with the take facts, {_STILLS} calls of "
                    f"ffmpeg -ss {theirs:.2f} s, ratio {theirs / ours:.2f}",
                    flush=True,
                )


_KINDS = (("UHD", "still"), ("UHD", "hunting"), ("1080", "still"), ("1080", "hunting"))


if __name__ == "__main__":
    main()
